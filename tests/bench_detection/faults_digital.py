"""Zeros, mutes, holds, repeats, and steps of every cause."""

from __future__ import annotations

from typing import Any

import damage
import numpy as np
from bench_detection.beds import Bed
from bench_detection.faults import Fault, Plant, many, pairs, who_of, wide
from damage import Ints, Planted


def digital() -> list[Fault]:
    """Zeros, mutes, holds, repeats."""
    out: list[Fault] = []

    def zero(frames: int, how: str) -> Plant:
        return lambda x, bed, rng, at: damage.zero_run(
            x, at=at, frames=frames, tracks=who_of(x, rng, how)
        )

    for frames, how, must in (
        (8, "one", False), (16, "one", True), (24, "one", True), (64, "two", True),
        (1000, "one", True), (20_000, "one", True), (4, "all", False), (8, "all", True),
        (16, "all", True), (300, "all", True), (9000, "all", True),
    ):  # fmt: skip
        out.append(
            Fault(part="digital", name=f"zeros, {how}", size=f"{frames} fr", kinds=("zero-run",),
                  plant=zero(frames, how), must=must, redo=True,
                  fits=pairs if how == "all" and frames < 16 else lambda bed: True)
        )  # fmt: skip

    def mute(frames: int, ramp: int, how: str) -> Plant:
        return lambda x, bed, rng, at: damage.mute_ramp(
            x, at=at, frames=frames, ramp=ramp, tracks=who_of(x, rng, how)
        )

    for frames, ramp, how in (
        (16, 16, "one"),
        (64, 64, "all"),
        (500, 256, "one"),
        (4000, 2000, "all"),
    ):
        out.append(
            Fault(part="digital", name=f"mute ramp, {how}", size=f"{frames}+2x{ramp} fr",
                  kinds=("zero-run",), plant=mute(frames, ramp, how), redo=True, slack_s=0.02)
        )  # fmt: skip

    def hold(frames: int, how: str) -> Plant:
        return lambda x, bed, rng, at: damage.hold(
            x, at=at, frames=frames, tracks=who_of(x, rng, how)
        )

    for frames, how, must in (
        (12, "one", False), (24, "one", True), (32, "one", True), (100, "two", True),
        (3000, "one", True), (24, "all", True), (600, "all", True),
    ):  # fmt: skip
        out.append(
            Fault(part="digital", name=f"hold, {how}", size=f"{frames} fr", kinds=("held-value",),
                  plant=hold(frames, how), must=must, redo=True)
        )  # fmt: skip

    def hold_each(frames: int, each: int, how: str) -> Plant:
        return lambda x, bed, rng, at: damage.hold_each(
            x, at=at, frames=frames, each=each, tracks=who_of(x, rng, how)
        )

    for frames, each, how in ((200, 2, "one"), (2000, 4, "all"), (9000, 2, "group")):
        out.append(
            Fault(part="digital", name=f"each held for {each}, {how}", size=f"{frames} fr",
                  kinds=("held-value",), plant=hold_each(frames, each, how), redo=True, fits=wide)
        )  # fmt: skip

    def repeat(frames: int, lag_s: float | None, how: str, inserted: bool) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            if lag_s is None:
                lag = frames
            elif lag_s < 0:
                lag = int(rng.integers(frames, max(min(int(1.95 * bed.rate_hz), at), frames + 1)))
            else:
                lag = round(lag_s * bed.rate_hz)
            lag = min(lag, at)
            return damage.repeat_block(
                x, at=at, frames=frames, lag=lag, tracks=who_of(x, rng, how), inserted=inserted
            )

        return plant

    for frames, lag_s, how, inserted, must in (
        (16, -1, "one", False, False), (32, None, "one", False, True), (32, -1, "one", False, True),
        (32, -1, "all", False, True), (32, -1, "all", True, True), (40, None, "all", True, True),
        (48, -1, "group", False, True), (64, -1, "one", True, True), (128, None, "all", True, True),
        (256, -1, "one", False, True), (512, None, "all", False, True),
        (1024, -1, "group", True, True), (4096, None, "all", True, True),
        (16384, None, "all", True, True), (20_000, -1, "one", False, True),
        (100, 1.99, "all", False, True), (37, 0.5, "two", False, True),
    ):  # fmt: skip
        how_far = "adjacent" if lag_s is None else "lag any" if lag_s < 0 else f"lag {lag_s} s"
        mode = "inserted" if inserted else "over"
        out.append(
            Fault(part="digital", name=f"repeat {mode}, {how}, {how_far}", size=f"{frames} fr",
                  kinds=("repeated-block",), plant=repeat(frames, lag_s, how, inserted), must=must,
                  redo=True, slack_s=0.003,  # either end of a repeat is its place
                  fits=wide, last=inserted and how not in ("all",))
        )  # fmt: skip
    return out


def steps() -> list[Fault]:
    """Lost, inserted, swapped, wrong. The jump decides which of them must be found."""
    out: list[Fault] = []

    def step(name: str, size: str, plant: Plant, **settings: Any) -> None:
        settings.setdefault("redo", None)
        out.append(
            Fault(part="steps", name=name, size=size, kinds=("step",), plant=plant, step=True,
                  **settings)
        )  # fmt: skip

    def lose(frames: int, how: str) -> Plant:
        return lambda x, bed, rng, at: damage.lose(
            x, at=at, frames=frames, tracks=who_of(x, rng, how)
        )

    for frames in (1, 8, 64, 441, 5000):
        step("lost, all", f"{frames} fr", lose(frames, "all"))
    for frames in (1, 8, 64, 1000):
        step("lost, one", f"{frames} fr", lose(frames, "one"), last=True)
    for frames in (8, 200):
        step("lost, half the tracks", f"{frames} fr", lose(frames, "group"), last=True, fits=many)

    def insert(frames: int, how: str) -> Plant:
        return lambda x, bed, rng, at: damage.insert(
            x, at=at, frames=frames, tracks=who_of(x, rng, how), seed=int(rng.integers(1 << 30))
        )

    step("inserted noise, all", "8 fr", insert(8, "all"))
    step("inserted noise, all", "256 fr", insert(256, "all"))
    step("inserted noise, one", "16 fr", insert(16, "one"), last=True)

    def swap(frames: int | None) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            a = int(rng.integers(len(x)))
            b = int((a + 1 + rng.integers(len(x) - 1)) % len(x))
            return damage.swap_tracks(x, at=at, a=a, b=b, frames=frames)

        return plant

    step("swap", "for good", swap(None), last=True, fits=pairs)
    step("swap", "300 fr", swap(300), fits=pairs)
    step("rotated", "for good", lambda x, bed, rng, at: damage.rotate_tracks(x, at=at),
         last=True, fits=pairs)  # fmt: skip

    def word(bit: int) -> Plant:
        return lambda x, bed, rng, at: damage.wrong_word(
            x, at=at, track=int(rng.integers(len(x))), bit=bit
        )

    for bit in (31, 30, 27, 24, 21, 18):
        step("wrong word", f"bit {bit} of 32", word(bit))

    def spike(over_db: float) -> Plant:
        """So far over the local noise: rms of the second difference, as white noise would have."""

        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            track = int(rng.integers(len(x)))
            near = np.diff(x[track, max(at - 512, 0) : at + 512].astype(np.float64), 4)
            rms = float(np.median(np.abs(near))) / 0.6745 / np.sqrt(70.0)  # 1 4 6 4 1
            dbfs = 20 * np.log10(max(rms, 1.0) / damage.FULL) + over_db
            return damage.spike(x, at=at, track=track, dbfs=min(dbfs, -1.0))

        return plant

    for over_db in (12.0, 20.0, 30.0, 50.0):
        step("one sample", f"{over_db:g} dB over noise", spike(over_db))
    return out
