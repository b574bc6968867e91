"""Faults of tape and head, and captures that begin or end in the midst."""

from __future__ import annotations

import damage
import damage_tape
import numpy as np
from bench_detection.beds import Bed
from bench_detection.faults import Fault, Plant, many, plain_pairs, plain_tracks, who_of
from damage import Ints, Planted


def tape() -> list[Fault]:
    """Contact losses, dips, clogs, a signal that is gone, a start or end in the midst."""
    out: list[Fault] = []

    def lift(ms: float, um: float, how: str) -> Plant:
        return lambda x, bed, rng, at: damage_tape.contact_loss(
            x, rate_hz=bed.rate_hz, at=at, frames=max(8, round(ms * bed.rate_hz / 1000)),
            distance_um=um, tracks=who_of(x, rng, how), floor_dbfs=(bed.hiss_dbfs or -62) - 10,
            seed=int(rng.integers(1 << 30)),
        )  # fmt: skip

    for ms in (2, 3, 5, 20, 100):
        for um in (5, 10, 20, 50):
            out.append(
                Fault(part="tape", name=f"contact loss {ms} ms, one", size=f"{um} um",
                      kinds=("contact-loss",), plant=lift(ms, um, "one"), slack_s=0.02,
                      must=ms >= 5 and um >= 20)
            )  # fmt: skip
    for ms, um in ((10, 20), (50, 20)):
        out.append(
            Fault(part="tape", name=f"contact loss {ms} ms, two", size=f"{um} um",
                  kinds=("contact-loss",), plant=lift(ms, um, "two"), slack_s=0.02, fits=many)
        )  # fmt: skip

    def dip(ms: float, db: float) -> Plant:
        return lambda x, bed, rng, at: damage.level_dip(
            x, at=at, frames=round(ms * bed.rate_hz / 1000), db=db, tracks=who_of(x, rng, "one")
        )

    for ms, db in ((10, 6), (10, 20), (50, 6), (50, 20)):
        out.append(
            Fault(part="tape", name=f"level dip {ms} ms, one", size=f"{db} dB",
                  kinds=("level-dip", "contact-loss"), plant=dip(ms, db), slack_s=0.03, must=False,
                  redo=False)
        )  # fmt: skip

    def clog(um: float, ramp_s: float) -> Plant:
        return lambda x, bed, rng, at: damage_tape.clog(
            x, rate_hz=bed.rate_hz, at=round(x.shape[1] * float(rng.uniform(0.3, 0.5))),
            ramp=round(ramp_s * bed.rate_hz), distance_um=um, tracks=who_of(x, rng, "one"),
            floor_dbfs=(bed.hiss_dbfs or -62) - 10, seed=int(rng.integers(1 << 30)),
        )  # fmt: skip

    for um in (2, 5, 10, 20):
        for ramp_s in (0.0, 3.0):
            out.append(
                Fault(part="tape", name=f"clog, {'slow' if ramp_s else 'sudden'}", size=f"{um} um",
                      kinds=("hf-loss",) if um < 20 else ("hf-loss", "signal-lost"),
                      plant=clog(um, ramp_s), everywhere=True, must=um >= 5, fits=plain_tracks)
            )  # fmt: skip

    def gone(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
        return damage_tape.signal_lost(
            x, rate_hz=bed.rate_hz, at=round(x.shape[1] * float(rng.uniform(0.3, 0.6))),
            tracks=who_of(x, rng, "one"), floor_dbfs=(bed.hiss_dbfs or -62) - 10,
            seed=int(rng.integers(1 << 30)),
        )  # fmt: skip

    def muted(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
        start = round(x.shape[1] * float(rng.uniform(0.3, 0.6)))
        return damage_tape.signal_lost(
            x, rate_hz=bed.rate_hz, at=start, tracks=who_of(x, rng, "one"), floor_dbfs=-110.0
        )

    out.append(
        Fault(part="tape", name="signal lost, amplifier left", size="-10 dB", everywhere=True,
              kinds=("signal-lost",), plant=gone, slack_s=0.6, fits=plain_pairs)
    )  # fmt: skip
    out.append(
        Fault(part="tape", name="signal lost, converter left", size="-110 dBFS", everywhere=True,
              kinds=("signal-lost",), plant=muted, slack_s=0.6, fits=plain_pairs)
    )  # fmt: skip

    def from_midst(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
        cut = _loud_place(x, rng)
        return Planted(x[:, cut:].copy(), 0, 1, tuple(range(len(x))))

    def to_midst(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
        cut = _loud_place(x, rng)
        return Planted(x[:, :cut].copy(), cut, 1, tuple(range(len(x))))

    loud = {"fits": lambda bed: (bed.level_dbfs or -9) > -20 and bed.kind not in ("quiet",)}
    out.append(
        Fault(part="tape", name="begins in programme", size="", kinds=("cut-start",),
              plant=from_midst, everywhere=True, redo=False, **loud)  # type: ignore[arg-type]
    )  # fmt: skip
    out.append(
        Fault(part="tape", name="ends in programme", size="", kinds=("cut-end",),
              plant=to_midst, everywhere=True, redo=False, **loud)  # type: ignore[arg-type]
    )  # fmt: skip

    def all_gone(seconds: float) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            start = _loud_place(x, rng)
            bare = damage_tape.signal_lost(
                x, rate_hz=bed.rate_hz, at=start, tracks=range(len(x)),
                floor_dbfs=(bed.hiss_dbfs or -62) - 10, seed=int(rng.integers(1 << 30)),
            ).samples  # fmt: skip
            stop = min(start + round(seconds * bed.rate_hz), x.shape[1])
            bare[:, stop:] = x[:, stop:]
            return Planted(bare, start, stop - start, tuple(range(len(x))))

        return plant

    for seconds in (0.2, 0.6, 1.5, 60.0):
        out.append(
            Fault(part="tape", name="all tracks gone", size=f"{seconds:g} s", everywhere=True,
                  kinds=("signal-lost", "cut-end", "level-dip", "contact-loss"), redo=False,
                  plant=all_gone(seconds), fits=plain_pairs)
        )  # fmt: skip
    return out


def _loud_place(x: Ints, rng: np.random.Generator) -> int:
    """A frame in the middle where the programme is at its usual loudness at least."""
    size = x.shape[1] // 200
    power = np.array(
        [np.mean(x[:, k * size : (k + 1) * size].astype(np.float64) ** 2) for k in range(200)]
    )
    good = np.flatnonzero(power >= np.quantile(power, 0.7))
    good = good[(good > 50) & (good < 150)]
    pick = int(rng.choice(good)) if len(good) else 100
    return int(pick * size + size // 2)
