"""The bench of detection: what is found, what is missed, what is raised on clean programme.

    python tests/bench_detection/run.py                        everything, some minutes
    python tests/bench_detection/run.py --part digital --part steps
    python tests/bench_detection/run.py --part clean --minutes 30 --seed 5
    python tests/bench_detection/run.py --case digital:3       one capture again, told in full

Clean programme is made from seeds and kept in the cache folder, so that a second run is quick.
A case (``part:number`` under one seed) can always be made again. Run by hand; not a test.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import numpy as np  # noqa: E402
from bench_detection import beds as make  # noqa: E402
from bench_detection.beds import Bed  # noqa: E402
from bench_detection.jump import jump_sigma  # noqa: E402
from bench_detection.plants import PARTS, Fault  # noqa: E402
from bench_detection.scoring import (  # noqa: E402
    Alarms,
    Planting,
    Tally,
    alarm_table,
    misses,
    plain,
    recall_table,
    said,
)

from checks import registry  # noqa: E402
from checks.model import Finding, Samples  # noqa: E402
from checks.registry import Context  # noqa: E402
from checks.sample_pass import SamplePass  # noqa: E402

CLEAN = ("clean", "events", "edges", "real")
SITES = 6  # faults with a place a capture


def check(bed: Bed, samples: Samples, only: Sequence[str] | None = None) -> list[Finding]:
    """What the registered checks find in these samples (int32, as made)."""
    chosen = [c for c in registry.CHECKS if only is None or c.name in only]
    run = SamplePass(
        Context(fmt=replace(bed.fmt, frames=samples.shape[1]), sheet=bed.sheet), chosen
    )
    run.feed(bed.native(samples))
    return [f for outcome in run.finish().values() for f in outcome.findings]


def cases(part: str, seed: int, trials: int) -> Iterator[tuple[str, Bed, list[Fault]]]:
    """(case, bed, faults) so that every fault of a part is planted about ``trials`` times."""
    faults = PARTS[part]()
    rng = np.random.default_rng([seed, sum(part.encode())])
    beds = make.for_plants(seed, 24)
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
    first, last = round(0.12 * clean.shape[1]), round(0.9 * clean.shape[1])
    room = (last - first) // max(len(faults), 1)
    x = clean
    out: list[Planting] = []
    for k in reversed(range(len(faults))):
        fault = faults[k]
        at = 0
        if not fault.everywhere:
            at = first + k * room + int(rng.integers(0, max(room // 2, 1)))
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
        out.append(Planting(fault, done.start, done.frames, done.tracks, top[-1], top[-2]))
        x = done.samples
    return x, out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", action="append", choices=[*CLEAN, *PARTS], help="default: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=8.0, help="of clean programme")
    parser.add_argument("--trials", type=int, default=10, help="plants of each fault")
    parser.add_argument("--case", help="one capture again, told in full, e.g. digital:3")
    parser.add_argument("--all-checks", action="store_true", help="not only the fault's own check")
    parser.add_argument("--json", type=Path, help="write the results there as well")
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "reelvigil-bench"
    )
    args = parser.parse_args()
    parts = args.part or [*CLEAN, *PARTS]
    print(f"checks: {[c.name for c in registry.CHECKS]}; seed {args.seed}", flush=True)
    if args.case:
        again(args.case, args)
        return
    alarms = {part: clean_part(part, args) for part in parts if part in CLEAN}
    tally = Tally()
    there = {c.name for c in registry.CHECKS}
    for part in [p for p in parts if p in PARTS]:
        if not {f.check for f in PARTS[part]()} <= there:
            print(f"{part}: its check is not registered")
            continue
        plant_part(part, args, tally)
    print("\n".join([*recall_table(tally), "", *misses(tally)]))
    if args.json:
        args.json.write_text(json.dumps(plain(tally, alarms), indent=1), encoding="utf-8")


def clean_part(part: str, args: argparse.Namespace) -> Alarms:
    if part == "clean":
        source = make.clean(args.minutes, args.seed)
    elif part == "events":
        source = make.clean(args.minutes / 3, args.seed, events=True)
    else:
        source = make.edges(args.seed) if part == "edges" else make.recordings(args.seed)
    alarms = Alarms()
    spent = 0.0
    for bed in source:
        samples = bed.samples(args.cache)
        began = time.perf_counter()
        alarms.add(bed, check(bed, samples))
        spent += time.perf_counter() - began
    print("\n".join(alarm_table(f"false alarms, {part}", alarms)))
    for kind, seen in alarms.seen.items():
        print(f"  {kind}")
        print("\n".join(f"    {line}" for line in seen[:8]))
    print(f"  checking took {spent:.1f} s", flush=True)
    return alarms


def plant_part(part: str, args: argparse.Namespace, tally: Tally) -> None:
    before: dict[str, list[Finding]] = {}
    for case, bed, faults in cases(part, args.seed, args.trials):
        only = None if args.all_checks else [faults[0].check]
        clean = bed.samples(args.cache)
        if bed.key() not in before:
            before[bed.key()] = check(bed, clean, only)
        samples, plantings = planted(clean, bed, faults, args.seed, case)
        tally.add(bed, case, plantings, check(bed, samples, only), before[bed.key()])


def again(case: str, args: argparse.Namespace) -> None:
    """One case made again and told in full."""
    for name, bed, faults in cases(case.split(":")[0], args.seed, args.trials):
        if name != case:
            continue
        clean = bed.samples(args.cache)
        samples, plantings = planted(clean, bed, faults, args.seed, case)
        print(repr(bed))
        for p in sorted(plantings, key=lambda p: p.start):
            print(f"planted {p.fault.label}: frame {p.start} ({p.start / bed.rate_hz:.4f} s) for "
                  f"{p.frames}, tracks {list(p.tracks)}, {p.sigma:.1f} sigma")  # fmt: skip
        for title, x in (("clean", clean), ("damaged", samples)):
            for finding in check(bed, x, None if args.all_checks else [faults[0].check]):
                print(f"{title}: {said(finding, bed)}\n    {finding.text}")
        return
    raise SystemExit(f"no case {case} with seed {args.seed} and {args.trials} trials")


if __name__ == "__main__":
    main()
