"""The bench of line-up tones: how near to the truth, and to what noise allows at all.

    python tests/bench_lineup/run.py                        everything, some minutes
    python tests/bench_lineup/run.py --part accuracy --trials 20
    python tests/bench_lineup/run.py --part recognition --trials 100 --seed 3
    python tests/bench_lineup/run.py --part flutter --part music --part cost

Bounds: the Cramer-Rao bound of a sine of amplitude A in white noise of variance s2 over N samples
(Rife and Boorstyn 1974): frequency 24 s2 / (A**2 N (N**2 - 1)) rad**2 a sample squared, amplitude
2 s2 / N, phase 2 s2 / (A**2 N) where the frequency is known, as it is between two tracks. Run by
hand; not a test.
"""

from __future__ import annotations

import argparse
import hashlib
import math
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import numpy as np  # noqa: E402
import synth  # noqa: E402
from bench_lineup.signals import RATES, Part, ints, line_up, run  # noqa: E402

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace  # noqa: E402
from checks.lineup import LineupLimits, LineupPass  # noqa: E402
from checks.model import CaptureFormat  # noqa: E402
from checks.sheet import Sheet  # noqa: E402


def accuracy(seed: int, trials: int) -> None:
    """Errors of level, frequency, phase, delay, start and end; their rms over the bound's."""
    rng = np.random.default_rng([seed, 1])
    print("accuracy: -18 dBFS over hiss of -65 dBFS (0 to 20 kHz), 5 s; worst of all trials, and")
    print("rms over the Cramer-Rao bound (several tracks share one frequency)")
    print(f"{'rate':>7} {'tracks':>6} {'level dB':>9} {'freq %':>9} {'phase deg':>9} "
          f"{'delay us':>9} {'ends ms':>8} | {'level':>6} {'freq':>6} {'phase':>6}")  # fmt: skip
    for rate_hz, tracks in ((44_100, 2), (96_000, 24), (96_000, 4), (192_000, 2), (352_800, 4),
                            (384_000, 2)):  # fmt: skip
        rows, over = [], []
        for trial in range(max(trials // 2, 2)):
            delays = rng.uniform(-20e-6, 20e-6, tracks) * np.minimum(np.arange(tracks), 1)
            gains = rng.uniform(-1, 1, tracks)
            tones = [
                997 + rng.uniform(-9, 9),
                10_000 + rng.uniform(-30, 30),
                100 * rng.uniform(1, 3),
            ]
            parts = [Part(hz=hz, dbfs=-18.0, seconds=5.0) for hz in tones]
            signal = line_up(rate_hz, parts, tracks=tracks, hiss_dbfs=-65.0, as_hiss=True,
                             delays_s=delays, gains_db=gains, seed=seed * 1000 + trial)  # fmt: skip
            found = run(ints(signal.samples), rate_hz).measures
            if len(found.tones) != len(parts):
                print(f"  {rate_hz} Hz: {len(found.tones)} of {len(parts)} tones")
                continue
            got = {line.track: line.delay_us for line in found.azimuth}
            late = max(abs((got[k + 1] or 0) - 1e6 * delays[k]) for k in range(1, tracks))
            for tone, part, place in zip(found.tones, parts, signal.places, strict=True):
                level = np.array([t.level_dbfs for t in tone.tracks]) - part.dbfs - gains
                turn = np.array([t.phase_deg for t in tone.tracks]) - 360 * part.hz * delays
                phase = (turn + 180) % 360 - 180
                hz = 100 * (tone.frequency_hz / part.hz - 1)
                ends = 1e3 * max(abs(tone.start_s - place[0]), abs(tone.end_s - place[1]))
                rows.append((abs(level).max(), abs(hz), abs(phase).max(), late, ends))
                n = part.seconds * rate_hz
                amplitude = 10 ** (part.dbfs / 20)
                s2 = 10 ** (-65 / 10) / 2 * rate_hz / 40_000
                level_bound = 20 / math.log(10) * math.sqrt(2 * s2 / n) / amplitude
                step = math.sqrt(24 * s2 / (amplitude**2 * n * (n * n - 1) * tracks))
                hz_bound = 100 * step * rate_hz / (2 * math.pi) / part.hz
                phase_bound = math.degrees(math.sqrt(4 * s2 / n) / amplitude)
                over.append((np.mean(level**2) / level_bound**2, (hz / hz_bound) ** 2,
                             np.mean(phase[1:] ** 2) / phase_bound**2))  # fmt: skip
        worst = np.max(rows, axis=0)
        ratio = np.sqrt(np.mean(over, axis=0))
        print(f"{rate_hz:7} {tracks:6} {worst[0]:9.5f} {worst[1]:9.6f} {worst[2]:9.5f} "
              f"{worst[3]:9.5f} {worst[4]:8.2f} | {ratio[0]:6.2f} {ratio[1]:6.2f} {ratio[2]:6.2f}",
              flush=True)  # fmt: skip


def recognition(seed: int, trials: int) -> None:
    """Tones of all kinds that are to be found: 30 Hz to 40 kHz, 2 s, 0 to -45 dBFS, 15 dB over
    the hiss."""
    rng = np.random.default_rng([seed, 2])
    missed = 0
    worst = np.zeros(3)
    for trial in range(trials):
        rate_hz = int(rng.choice(RATES))
        tracks = int(rng.choice([1, 2, 4, 8]) if rate_hz < 100_000 else rng.choice([1, 2]))
        hz = float(np.exp(rng.uniform(np.log(30), np.log(min(40_000, 0.45 * rate_hz)))))
        dbfs, seconds = float(rng.uniform(-45, 0)), float(rng.uniform(2, 4))
        under = float(rng.uniform(15, 40))
        flutter = ((float(rng.uniform(0.5, 8)), 0.05),) if hz > 200 and rng.random() < 0.5 else ()
        part = Part(hz=hz, dbfs=dbfs, seconds=seconds, flutter=flutter,
                    harmonics=(0.005, float(rng.uniform(0, 0.02))))  # fmt: skip
        signal = line_up(rate_hz, [part], tracks=tracks, hiss_dbfs=dbfs - under,
                         gap_s=float(rng.uniform(0, 1.2)), seed=trial)  # fmt: skip
        tones = run(ints(signal.samples), rate_hz).measures.tones
        begins, ends = signal.places[0]
        if len(tones) == 1:
            tone = tones[0]
            off = (abs(tone.tracks[0].level_dbfs - dbfs), abs(tone.start_s - begins),
                   abs(tone.end_s - ends))  # fmt: skip
            worst = np.maximum(worst, off)
        if len(tones) != 1 or max(off[1:]) > 0.05:
            missed += 1
            print(f"  missed: {rate_hz} Hz, {tracks} tracks, {hz:.1f} Hz {dbfs:.1f} dBFS"
                  f" {seconds:.2f} s, hiss {under:.1f} dB under;"
                  f" found {[(t.start_s, t.end_s) for t in tones]},"
                  f" is {signal.places[0]}", flush=True)  # fmt: skip
    print(f"recognition: {trials - missed} of {trials}; worst level {worst[0]:.4f} dB, "
          f"start {1e3 * worst[1]:.1f} ms, end {1e3 * worst[2]:.1f} ms")  # fmt: skip


def flutter(seed: int, trials: int) -> None:
    """Weighted two-sigma flutter of sine modulations (AES6 / IEC 60386)."""
    print("flutter: 3150 Hz, peak 0.1 %; expected by the weighting's table (4 Hz: 0.0997)")
    table = {0.8: -6.0, 1.0: -4.2, 4.0: 0.0, 10.0: -2.1, 20.0: -5.9, 40.0: -10.4, 63.0: -14.2}
    for rate_hz in (44_100, 96_000, 352_800):
        row = []
        for hz, db in table.items():
            part = Part(hz=3150, dbfs=-18, seconds=12, flutter=((hz, 0.1),))
            signal = line_up(rate_hz, [part], tracks=1, hiss_dbfs=-65, seed=seed)
            tones = run(ints(signal.samples), rate_hz).measures.tones
            got = tones[0].flutter_percent if tones else float("nan")
            row.append(f"{hz:g} Hz {got:.4f} ({20 * math.log10(got / 0.0997) - db:+.2f} dB)")
        print(f"{rate_hz:7}: " + ", ".join(row), flush=True)


def music(seed: int, trials: int) -> None:
    """Clean programme: no tone may be reported."""
    rng = np.random.default_rng([seed, 3])
    told, minutes = 0, 0.0
    for number, kind in enumerate(rng.permutation(list(synth.KINDS) * max(trials // 10, 1))):
        rate_hz, tracks = ((44_100, 2), (96_000, 4), (44_100, 1), (192_000, 3))[number % 4]
        x = synth.programme(
            str(kind), rate_hz=rate_hz, tracks=tracks, seconds=10, seed=seed + number
        )
        minutes += 10 / 60
        outcome = run(x, rate_hz)
        if outcome.findings:
            told += 1
            print(f"  {kind} {rate_hz} {tracks} tracks seed {seed + number}: "
                  f"{[f.text for f in outcome.findings]}", flush=True)  # fmt: skip
    print(f"music: {told} captures with tones in {minutes:.1f} minutes of clean programme")


def cost(seed: int, trials: int) -> None:
    """Nanoseconds a sample, against SHA-256 of the same samples in the same run."""
    for kind in ("band", "bowed", "drone", "hiss-only", "lineup"):
        if kind == "lineup":
            part = Part(hz=1000, dbfs=-18, seconds=3)
            x = ints(line_up(352_800, [part], tracks=8, gap_s=0).samples)
        else:
            x = synth.programme(kind, rate_hz=352_800, tracks=8, seconds=4, seed=seed)
        fmt = CaptureFormat(rate_hz=352_800, channels=8, word_length=24, frames=x.shape[1])
        best = [math.inf, math.inf]
        for _ in range(max(trials // 5, 2)):
            one, work, took, hashed = (
                LineupPass(fmt, Sheet(), LineupLimits()),
                Workspace(),
                0.0,
                0.0,
            )
            for start in range(0, x.shape[1] - BLOCK_FRAMES, BLOCK_FRAMES):
                lead = LEAD_FRAMES if start else 0
                view = x[:, start - lead : start + BLOCK_FRAMES]
                block = Block(view, start=start, lead=lead, fmt=fmt, work=work)
                _ = block.scaled, block.square_sums  # shared with other checks
                began = time.thread_time()
                one.feed(block)
                took += time.thread_time() - began
                data = block.samples.tobytes()[: block.samples.size * 3]  # as 24-bit words
                began = time.thread_time()
                hashlib.sha256(data).digest()
                hashed += time.thread_time() - began
            best = [min(best[0], took * 1e9 / x.size), min(best[1], hashed * 1e9 / x.size)]
        print(f"cost: {kind:10} {best[0]:.2f} ns a sample; SHA-256 {best[1]:.2f}", flush=True)


PARTS = {f.__name__: f for f in (accuracy, recognition, flutter, music, cost)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", action="append", choices=list(PARTS), help="default: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trials", type=int, default=10)
    args = parser.parse_args()
    for name in args.part or PARTS:
        PARTS[name](args.seed, args.trials)


if __name__ == "__main__":
    main()
