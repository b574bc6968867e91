"""What checks cost on programme that jumps all along, against plain programme of the same shape.

    python tests/benchmarks/dense_speed.py [--rate 96000] [--tracks 8] [--seconds 10] [--kind loop]

Prints processor seconds for each million samples, all checks together and one by one, in this
process alone. What is dear is done a few times a second at most, and so often at once before: short
pieces cost more than long ones. The machine may be shared: only ratios of one run mean anything.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
PROJECT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(PROJECT), str(PROJECT / "tests")]

import numpy as np  # noqa: E402
import synth  # noqa: E402
from bench_detection.edges import EDGES, Asked  # noqa: E402
from bench_detection.edges_sounds import SOUNDS  # noqa: E402
from bench_detection.textbook import played  # noqa: E402

from checks.block import Block  # noqa: E402
from checks.model import CaptureFormat, CheckPass, Outcome  # noqa: E402
from checks.registry import CHECKS, Check, Context  # noqa: E402
from checks.sample_pass import SamplePass  # noqa: E402

Ints = np.ndarray[Any, np.dtype[np.int32]]
_AT_ONCE = 1 << 17  # frames


def _words(x: np.ndarray[Any, Any]) -> Ints:
    return np.rint(np.clip(x, -1, 1 - 2.0**-23) * 2.0**23).astype(np.int32) << 8


def _notes(asked: Asked) -> Ints:
    """Notes that a machine begins within one sample, thirty a second on each track."""
    rng = np.random.default_rng(asked.seed)
    x = 10 ** (-70 / 20) * rng.standard_normal((asked.tracks, round(asked.seconds * asked.rate_hz)))
    for row in x:
        at = 0
        while at < len(row):
            note = row[at : at + int(rng.uniform(0.02, 0.2) * asked.rate_hz)]
            t = np.arange(len(note)) / asked.rate_hz
            wave = np.sin(2 * np.pi * rng.uniform(100, 3000) * t + rng.uniform(0, 6))
            note += rng.uniform(0.04, 0.2) * wave * np.exp(-t / 0.05)
            at += int(rng.uniform(0.01, 0.05) * asked.rate_hz)
    return _words(x)


def _drops(asked: Asked) -> Ints:
    """Rain: drops that ring for two milliseconds, 120 a second on each track, over noise."""
    rng = np.random.default_rng(asked.seed)
    x = 0.01 * rng.standard_normal((asked.tracks, round(asked.seconds * asked.rate_hz)))
    t = np.arange(round(0.012 * asked.rate_hz)) / asked.rate_hz
    for row in x:
        for at in rng.integers(0, len(row) - len(t), round(120 * asked.seconds)):
            drop = np.sin(2 * np.pi * rng.uniform(1500, 9000) * t) * np.exp(-t / 0.002)
            row[at : at + len(t)] += 0.3 * rng.uniform(0.02, 1) ** 2 * drop
    return _words(x)


def _loop(asked: Asked) -> Ints:
    """A buffer that is stuck: 32 frames of noise over and over."""
    once = 0.1 * np.random.default_rng(asked.seed).standard_normal((asked.tracks, 32))
    return _words(np.tile(once, round(asked.seconds * asked.rate_hz / 32)))


def _plain(asked: Asked) -> Ints:
    return synth.programme(
        "plucks",
        rate_hz=asked.rate_hz,
        tracks=asked.tracks,
        seconds=asked.seconds,
        seed=asked.seed,
    )


KINDS: dict[str, Callable[[Asked], Ints]] = {
    "plain": _plain,
    "textbook": lambda asked: played(asked, -20.0, -62.0),
    "applause": SOUNDS["applause"],
    "hard-cut grains": SOUNDS["hard-cut grains"],
    "square tones": EDGES["square tones on tape"],
    "notes": _notes,
    "drops": _drops,
    "loop": _loop,
}


class Timed:
    """A check that keeps the processor time it takes."""

    def __init__(self, inner: CheckPass) -> None:
        self._inner = inner
        self.took_s = 0.0

    def feed(self, block: Block) -> None:
        began = time.process_time()
        self._inner.feed(block)
        self.took_s += time.process_time() - began

    def finish(self) -> Outcome:
        began = time.process_time()
        out = self._inner.finish()
        self.took_s += time.process_time() - began
        return out


def cost(samples: Ints, rate_hz: int) -> dict[str, float]:
    """Processor seconds of each check."""
    timed: dict[str, Timed] = {}

    def started(check: Check) -> Callable[[Context], CheckPass]:
        def start(context: Context) -> CheckPass:
            timed[check.name] = Timed(check.start(context))
            return timed[check.name]

        return start

    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=len(samples),
        word_length=24,
        floating=False,
        frames=samples.shape[1],
    )
    run = SamplePass(Context(fmt=fmt), [Check(check.name, started(check)) for check in CHECKS])
    for start in range(0, samples.shape[1], _AT_ONCE):
        run.feed(samples[:, start : start + _AT_ONCE])
    run.finish()
    return {name: check.took_s for name, check in timed.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rate", type=int, action="append", help="default: 48000, 96000, 352800")
    parser.add_argument("--tracks", type=int, default=8)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--kind", action="append", choices=[*KINDS], help="default: all")
    args = parser.parse_args()
    for rate_hz in args.rate or [48_000, 96_000, 352_800]:
        print(f"{args.tracks} tracks, {rate_hz / 1000:g} kHz, {args.seconds:g} s")
        print(f"{'':16}     all  x plain" + "".join(f"{check.name[:9]:>10}" for check in CHECKS))
        plain = 0.0
        for kind in ["plain", *(k for k in args.kind or KINDS if k != "plain")]:
            asked = Asked(rate_hz=rate_hz, tracks=args.tracks, seconds=args.seconds, seed=1)
            samples = KINDS[kind](asked)
            took = cost(samples, rate_hz)
            each = {name: 1e6 * s / samples.size for name, s in took.items()}
            plain = plain or sum(each.values())
            parts = "".join(f"{value:10.3f}" for value in each.values())
            told = f"{sum(each.values()):8.3f} {sum(each.values()) / plain:8.1f}"
            print(f"{kind:16}{told}{parts}", flush=True)


if __name__ == "__main__":
    main()
