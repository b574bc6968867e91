"""Clipping, tracks against each other, what lies above 20 kHz, and the words themselves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import damage
import damage_tape
import numpy as np
from bench_detection.beds import Bed
from bench_detection.faults import Fault, Plant, plain_pairs, plain_tracks, who_of, wide
from damage import Ints, Planted


def _tops(clean: Ints, planted: Planted) -> int:
    """How many stretches of 4 samples and more lie at the extremes, on the least hit track."""
    counts = []
    for k in planted.tracks:
        row = planted.samples[k].astype(np.float64)
        low, high = row.min(), row.max()
        near = (high - low) * 0.005  # noise and tilt move the tops
        hot = (row >= high - near) | (row <= low + near)
        edges = np.flatnonzero(np.diff(np.pad(hot.astype(np.int8), 1)))
        counts.append(int(np.count_nonzero(edges[1::2] - edges[::2] >= 4)))
    return min(counts)


def _wraps(clean: Ints, planted: Planted) -> int:
    """How often a track jumps by more than full scale from one sample to the next."""
    jumps = np.abs(np.diff(planted.samples[planted.tracks[0]].astype(np.float64)))
    return int(np.count_nonzero(jumps > damage.FULL)) // 2


def clipping() -> list[Fault]:
    out: list[Fault] = []

    def over(db: float, how: str) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            out = x.copy()
            who = who_of(x, rng, how)
            for k in who:
                peak = float(np.abs(x[k].astype(np.float64)).max()) or 1.0
                out[k] = damage.words(x[k] * (damage.FULL / peak * 10 ** (db / 20)), x[k])
            return Planted(out, 0, x.shape[1], who)

        return plant

    for db in (1.0, 3.0, 6.0, 15.0):
        for how in ("one", "all"):
            out.append(
                Fault(part="clipping", name=f"full scale, {how}", size=f"{db:g} dB over",
                      kinds=("full-scale",), plant=over(db, how), everywhere=True,
                      must=db >= 3, enough=3, strength=_tops,
                      fits=lambda bed: not bed.floating and plain_tracks(bed))
            )  # fmt: skip

    def flat(drive_db: float, dbfs: float, style: str, how: str) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            out = x.copy()
            who = who_of(x, rng, how)
            for k in who:
                peak = float(np.abs(x[k].astype(np.float64)).max()) or 1.0
                gain = damage.FULL * 10 ** (dbfs / 20) / peak
                row = damage.words(x[k : k + 1] * gain, x[k])  # peak at the ceiling to be
                out[k] = damage.clip_hard(
                    row, dbfs=dbfs - drive_db, style=style, seed=int(rng.integers(1 << 30))
                ).samples[0]
            return Planted(out, 0, x.shape[1], who)

        return plant

    for style in ("exact", "noisy", "tilted", "asymmetric"):
        for drive, dbfs, how in (
            (1.0, -3.0, "one"), (3.0, -1.0, "one"), (3.0, -12.0, "all"), (6.0, -0.5, "two"),
            (6.0, -24.0, "one"), (12.0, -6.0, "all"),
        ):  # fmt: skip
            out.append(
                Fault(part="clipping", name=f"flat top {style}, {how}",
                      size=f"{drive:g} dB below peaks of {dbfs:g}",
                      kinds=("flat-top", "full-scale"),
                      plant=flat(drive, dbfs, style, how), everywhere=True, must=drive >= 3,
                      enough=8, strength=_tops, fits=plain_tracks)
            )  # fmt: skip

    def wrapped(db: float) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            who = who_of(x, rng, "one")
            peak = float(np.abs(x[who[0]].astype(np.float64)).max()) or 1.0
            return damage.wrap(
                x, gain_db=20 * np.log10(damage.FULL / peak) + db, tracks=who, bits=bed.word_length
            )

        return plant

    for db in (1.0, 3.0, 6.0):
        out.append(
            Fault(part="clipping", name="wrap", size=f"{db:g} dB over", kinds=("wrap",),
                  plant=wrapped(db), everywhere=True, redo=True, enough=1, strength=_wraps,
                  fits=lambda bed: not bed.floating and plain_tracks(bed))
        )  # fmt: skip
    return out


def tracks() -> list[Fault]:
    out: list[Fault] = []

    def whole(name: str, size: str, kinds: Sequence[str], plant: Plant, **settings: Any) -> None:
        settings.setdefault("fits", plain_pairs)
        out.append(
            Fault(part="tracks", name=name, size=size, kinds=tuple(kinds), plant=plant,
                  everywhere=True, **settings)
        )  # fmt: skip

    def silent(floor: float | None) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            dbfs = None if floor is None else (bed.hiss_dbfs or -62) - 10 if floor > 0 else floor
            return damage_tape.silent_track(
                x, rate_hz=bed.rate_hz, track=int(rng.integers(len(x))), floor_dbfs=dbfs,
                seed=int(rng.integers(1 << 30)),
            )  # fmt: skip

        return plant

    whole("silent", "digital zero", ["silent"], silent(None))
    whole("silent", "converter -115 dBFS", ["silent"], silent(-115.0))
    whole("silent", "amplifier 10 dB under hiss", ["silent"], silent(1.0))

    def two(x: Ints, rng: np.random.Generator) -> tuple[int, int]:
        a = int(rng.integers(len(x)))
        return a, int((a + 1 + rng.integers(len(x) - 1)) % len(x))

    def same(seconds: float | None) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            a, b = two(x, rng)
            if seconds is None:
                return damage.copy_track(x, source=a, target=b)
            start = round(x.shape[1] * float(rng.uniform(0.2, 0.6)))
            return damage.copy_track(
                x, source=a, target=b, at=start, frames=round(seconds * bed.rate_hz)
            )

        return plant

    whole("identical", "throughout", ["identical"], same(None), redo=True)
    for seconds, must in ((0.01, False), (0.1, False), (0.5, True), (2.0, True)):
        whole("identical, a stretch", f"{seconds:g} s", ["identical"], same(seconds),
              must=must)  # fmt: skip

    def copy(kinds: str, gain_db: float, inverted: bool, delay_s: float, noise: float) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            a, b = two(x, rng)
            return damage.gain_copy(
                x, source=a, target=b, gain_db=gain_db, inverted=inverted,
                delay=round(delay_s * bed.rate_hz), own_noise_dbfs=noise,
                seed=int(rng.integers(1 << 30)),
            )  # fmt: skip

        return plant

    for gain, noise in ((-0.05, -115.0), (-6.0, -110.0), (4.0, -100.0), (-20.0, -110.0)):
        whole("same signal", f"{gain:g} dB, noise {noise:g}", ["same-signal"],
              copy("", gain, False, 0.0, noise), redo=False)  # fmt: skip
    for gain in (0.0, -3.0):
        whole("inverted", f"{gain:g} dB", ["inverted"], copy("", gain, True, 0.0, -110.0),
              redo=False)  # fmt: skip
    for delay in (0.0001, 0.001, 0.01, 0.1):
        whole("delayed", f"{delay * 1000:g} ms", ["delayed"], copy("", -1.0, False, delay, -110.0),
              redo=False, must=delay <= 0.01)  # fmt: skip

    def offset(percent: float) -> Plant:
        return lambda x, bed, rng, at: damage.dc(
            x, track=int(rng.integers(len(x))), percent=percent
        )

    for percent, must in ((0.1, False), (0.5, False), (1.0, True), (-3.0, True)):
        whole("DC", f"{percent:g} %", ["dc-offset"], offset(percent), must=must,
              fits=plain_tracks)  # fmt: skip

    def mains(hz: float, dbfs: float) -> Plant:
        return lambda x, bed, rng, at: damage.hum(
            x, rate_hz=bed.rate_hz, track=int(rng.integers(len(x))), hz=hz, dbfs=dbfs
        )

    for hz, dbfs in ((50.0, -70.0), (60.0, -60.0), (50.0, -50.0), (60.0, -40.0), (49.9, -45.0)):
        whole("hum", f"{hz:g} Hz {dbfs:g} dBFS", ["hum"], mains(hz, dbfs), must=dbfs >= -50,
              redo=False, fits=plain_tracks)  # fmt: skip
    return out


def ultrasonic() -> list[Fault]:
    out: list[Fault] = []

    def up(half_hz: float, share: float) -> Plant:
        return lambda x, bed, rng, at: damage.upsample(
            x, rate_hz=bed.rate_hz, half_rate_hz=half_hz, share=share
        )

    def bigger(low_hz: float) -> Callable[[Bed], bool]:
        return lambda bed: bed.rate_hz > 1.25 * low_hz and wide(bed)

    for low_hz in (22_050.0, 24_000.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0):
        for share in (0.8, 0.91):
            out.append(
                Fault(part="ultrasonic", name=f"brought up from {low_hz / 1000:g} kHz",
                      size=f"filter from {share}", kinds=("brickwall",),
                      plant=up(low_hz / 2, share), everywhere=True,
                      redo=low_hz < 60_000 or None, fits=bigger(low_hz))
            )  # fmt: skip

    def room_for(hz: float) -> Callable[[Bed], bool]:
        return lambda bed: bed.rate_hz / 2 > 1.1 * hz and plain_tracks(bed)

    def line(hz: float, dbfs: float) -> Plant:
        def plant(x: Ints, bed: Bed, rng: np.random.Generator, at: int) -> Planted:
            return damage.hum(
                x, rate_hz=bed.rate_hz, track=int(rng.integers(len(x))), hz=hz, dbfs=dbfs,
                harmonics=1,
            )  # fmt: skip

        return plant

    for hz in (21_400.0, 31_250.0, 77_500.0):
        for dbfs in (-90.0, -70.0, -50.0):
            out.append(
                Fault(part="ultrasonic", name=f"line {hz / 1000:g} kHz", size=f"{dbfs:g} dBFS",
                      kinds=("line",), plant=line(hz, dbfs), everywhere=True, must=dbfs >= -50,
                      redo=False, fits=room_for(hz))
            )  # fmt: skip
    return out


def format_() -> list[Fault]:
    out: list[Fault] = []

    def bits(count: int, how: str) -> Plant:
        return lambda x, bed, rng, at: damage.fewer_bits(x, bits=count, tracks=who_of(x, rng, how))

    def stuck(bit: int, high: bool) -> Plant:
        return lambda x, bed, rng, at: damage.stuck_bit(
            x, track=int(rng.integers(len(x))), bit=bit, high=high
        )

    def carried(bed: Bed) -> bool:
        return wide(bed) and plain_tracks(bed)

    for count, how in ((16, "all"), (20, "one"), (23, "one")):
        out.append(
            Fault(part="format", name=f"fewer bits, {how}", size=f"{count}", kinds=("unused-bits",),
                  plant=bits(count, how), everywhere=True, redo=True, fits=carried)
        )  # fmt: skip

    def tied(low: int, high: int, share: float) -> Plant:
        return lambda x, bed, rng, at: damage.tied_bits(
            x, track=int(rng.integers(len(x))), low=low, high=high, at=round(share * x.shape[1])
        )

    for low, high, share in ((8, 9, 0.0), (14, 15, 0.0), (10, 18, 0.0), (11, 12, 0.5)):
        out.append(
            Fault(part="format", name="tied bits", size=f"{low}, {high} from {share:.0%}",
                  kinds=("unused-bits",), plant=tied(low, high, share), everywhere=True, redo=True,
                  fits=carried)
        )  # fmt: skip
    for bit, high in ((8, True), (15, False), (20, True)):
        out.append(
            Fault(part="format", name="stuck bit", size=f"{bit} {'high' if high else 'low'}",
                  kinds=("unused-bits",), plant=stuck(bit, high), everywhere=True, redo=True,
                  fits=carried)
        )  # fmt: skip
    return out
