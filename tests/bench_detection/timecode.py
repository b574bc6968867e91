"""The bench of timecode: slips found by their size, slips told of sound code.

    python tests/bench_detection/timecode.py --captures 60 --seed 1

Each capture is 3 s of code of its own (rate, speed, bandwidth, noise, flutter) beside hiss alone,
as it is, once with what tape does to it, and with samples lost once in the middle. Run by hand.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import numpy as np  # noqa: E402
from stepping import steps  # noqa: E402
from timecode_kit import HAPPENS, Floats, code  # noqa: E402

RATES_HZ = (44_100, 48_000, 96_000, 192_000, 352_800)
LOST_US = (20, 30, 50, 80, 120, 1000, 17_350)
SECONDS = 3.0
BOUNDS = (0.08, 0.12, 0.2, 0.35, 0.51)  # of half a bit


def slips(track: Floats, rate_hz: int) -> list[int]:
    hiss = np.random.default_rng(9).standard_normal(len(track)) * 1e-3
    words = (np.rint(np.vstack((hiss, track)) * 2**23).astype(np.int64) << 8).astype(np.int32)
    return [f.start_frame or 0 for f in steps(words, rate_hz) if 1 in f.tracks]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    planted: Counter[float] = Counter()
    found: Counter[float] = Counter()
    alarms: Counter[str] = Counter()
    for number in range(asked.captures):
        rate_hz, frames_s = int(rng.choice(RATES_HZ)), int(rng.choice((24, 25, 30)))
        x = code(
            rate_hz,
            SECONDS,
            seed=asked.seed * 1000 + number,
            flutter=float(rng.choice((0.0, 0.0005, 0.002))),
            frames_s=frames_s,
            bandwidth_hz=float(rng.choice((5_000, 10_000, 20_000))),
            noise_dbfs=float(rng.uniform(-75, -45)),
        )
        alarms["as it is"] += len(slips(x, rate_hz))
        happens = HAPPENS[number % len(HAPPENS)]
        alarms[happens.__name__] += len(slips(happens(x, rng), rate_hz))
        half = rate_hz / (160 * frames_s)
        for lost_us in LOST_US:
            lost = max(round(lost_us * 1e-6 * rate_hz), 1)
            at = int(len(x) / 2 + rng.integers(0, rate_hz // 10))
            slip = abs(lost / half - round(lost / half))
            size = next((b for b in reversed(BOUNDS[:-1]) if slip >= b), 0.0)
            near = [p for p in slips(np.delete(x, slice(at, at + lost)), rate_hz)
                    if at - 4.5 * half <= p <= at + 2]  # fmt: skip
            planted[size] += 1
            found[size] += bool(near)
    print(f"seed {asked.seed}, {asked.captures} captures of {SECONDS:g} s")
    print("| slip, of half a bit | planted | told |\n| --- | --- | --- |")
    for low, high in zip((0.0, *BOUNDS[:-1]), BOUNDS, strict=True):
        print(f"| {low:g} to {high:g} | {planted[low]} | {found[low]} |")
    minutes = 2 * asked.captures * SECONDS / 60
    print(f"told of sound code in {minutes:.1f} min: {dict(alarms)}")


if __name__ == "__main__":
    main()
