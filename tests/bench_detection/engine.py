"""What the bench does with one capture: faults chosen, planted, and the checks run over it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from bench_detection.beds import Bed, for_plants
from bench_detection.jump import jump_sigma
from bench_detection.plants import PARTS, Fault
from bench_detection.reels import RUNS, laid_out
from bench_detection.scoring import Planting

from checks import registry
from checks.model import Finding, Samples
from checks.registry import Context
from checks.sample_pass import SamplePass

SITES = 6  # faults with a place a capture


def check(bed: Bed, samples: Samples, only: Sequence[str] | None = None) -> list[Finding]:
    """What the registered checks find in these samples (int32, as made)."""
    chosen = [c for c in registry.CHECKS if only is None or c.name in only]
    run = SamplePass(
        Context(fmt=replace(bed.fmt, frames=samples.shape[1]), sheet=bed.sheet), chosen
    )
    run.feed(bed.native(samples))
    return [f for outcome in run.finish().values() for f in outcome.findings]


def cases(
    part: str,
    seed: int,
    trials: int,
    beds: Sequence[Bed] = (),
    faults: Sequence[Fault] = (),
) -> Iterator[tuple[str, Bed, list[Fault]]]:
    """(case, bed, faults) so that every fault of a part is planted about ``trials`` times."""
    faults = faults or PARTS[part]()
    rng = np.random.default_rng([seed, sum(part.encode())])
    beds = beds or for_plants(seed, 24)
    placed = [f for f in faults if not f.everywhere for _ in range(trials)]
    whole = [f for f in faults if f.everywhere for _ in range(trials)]
    placed = [placed[k] for k in rng.permutation(len(placed))]
    number = 0
    while placed:
        bed = beds[number % len(beds)]
        group: list[Fault] = []
        for fault in list(placed):
            if fault.fits(bed) and not (fault.last and any(g.last for g in group)):
                placed.remove(fault)
                group.append(fault)
            if len(group) == SITES:
                break
        if not group and number > 400 + 10 * len(faults) * trials:
            break  # nothing fits any more
        if group:
            yield f"{part}:{number}", bed, group
        number += 1
    for fault in whole:
        for _ in range(len(beds)):
            bed = beds[int(rng.integers(len(beds)))]
            if fault.fits(bed):
                yield f"{part}:{number}", bed, [fault]
                break
        number += 1


def planted(
    clean: Samples, bed: Bed, faults: Sequence[Fault], seed: int, case: str
) -> tuple[Samples, list[Planting]]:
    """All faults of one capture planted, from the last to the first so that places hold."""
    rng = np.random.default_rng([seed, *case.encode()])
    faults = sorted(faults, key=lambda f: f.last)
    sites = _all_over if bed.kind == "reel" else _evenly
    x = clean
    out: list[Planting] = []
    for fault, at in sites(bed, faults, clean.shape[1], rng):
        done = fault.plant(x, bed, rng, at)
        jumps = [0.0, 0.0]
        if fault.step:
            jumps += [
                jump_sigma(x[t], done.samples[t], at, done.frames if done.frames < 4096 else 1)
                for t in done.tracks
            ]
        moved = done.samples.shape[1] - x.shape[1]
        if "inserted" in fault.name:  # the capture keeps its length, what follows moves back
            moved = done.frames
        out = [
            replace(p, start=p.start + moved) if set(p.tracks) <= set(done.tracks) else p
            for p in out
        ]
        top = sorted(jumps)
        strength = fault.strength(x, done)
        out.append(
            Planting(fault, done.start, done.frames, done.tracks, top[-1], top[-2], strength)
        )
        x = done.samples
    return x, out


def _evenly(
    bed: Bed, faults: Sequence[Fault], frames: int, rng: np.random.Generator
) -> Iterator[tuple[Fault, int]]:
    """Each fault with a frame in a stretch of its own, drawn as they are planted, last first."""
    first, last = round(0.12 * frames), round(0.9 * frames)
    room = (last - first) // max(len(faults), 1)
    for k in reversed(range(len(faults))):
        moves = 0 if faults[k].everywhere else int(rng.integers(0, max(room // 2, 1)))
        yield faults[k], 0 if faults[k].everywhere else first + k * room + moves


def _all_over(
    bed: Bed, faults: Sequence[Fault], frames: int, rng: np.random.Generator
) -> Iterator[tuple[Fault, int]]:
    """Each fault at another place of a reel, by whose name it counts; some may find no room.

    Half a second is left behind each, so that none reaches into the next. The last first.
    """
    places = [
        (start, stop, name)
        for name, spans in laid_out(bed.asked).places(bed.seconds).items()
        for start, stop in spans
    ]
    drawn = sorted(places[k] for k in rng.permutation(len(places))[: len(faults)])
    for fault, (start, stop, name) in reversed(list(zip(faults, drawn, strict=False))):
        at_s = rng.uniform(start, max(start, stop - 0.5))
        must = fault.must and (fault.part != "tape" or name in RUNS)
        yield replace(fault, size=name, must=must), round(at_s * bed.rate_hz)
