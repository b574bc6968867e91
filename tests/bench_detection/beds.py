"""Clean programme to plant faults in and to count false alarms on, kept on disk once made."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import synth
from bench_detection.edges import EDGES, Asked
from bench_detection.edges_sounds import SOUNDS
from bench_detection.recorded import CORPUS, REAL, played, recording
from bench_detection.reels import laid_out
from bench_detection.reels import played as a_reel
from bench_detection.textbook import LEAKS_DB
from bench_detection.textbook import played as by_the_book
from numpy.typing import NDArray

from checks.model import CaptureFormat
from checks.sheet import NoiseReduction, Sheet, Tape, TrackEntry, TrackKind

VERSION: Final = 3  # of what the makers make; another one makes the cache anew
FORMATS: Final = (  # rate, tracks, word length, float, seconds
    (352_800, 8, 24, False, 8.0),
    (96_000, 4, 24, False, 10.0),
    (352_800, 2, 24, False, 10.0),
    (192_000, 4, 24, False, 8.0),
    (44_100, 2, 16, False, 12.0),
    (384_000, 3, 32, False, 8.0),
    (192_000, 2, 24, True, 8.0),
    (48_000, 12, 24, False, 10.0),
    (88_200, 1, 24, False, 12.0),
    (176_400, 24, 24, False, 7.5),
    (44_100, 4, 24, False, 12.0),
)
REELS: Final = (
    (44_100, 2, 24, False, 50.0),
    (96_000, 4, 24, False, 36.0),
    (48_000, 8, 24, False, 40.0),
    (352_800, 2, 24, False, 28.0),
    (44_100, 1, 24, False, 60.0),
    (88_200, 2, 24, True, 42.0),
    (48_000, 4, 24, False, 50.0),
    (192_000, 2, 24, False, 30.0),
    (44_100, 16, 24, False, 30.0),
    (96_000, 2, 24, False, 45.0),
    (48_000, 2, 16, False, 60.0),
    (96_000, 8, 24, False, 30.0),
    (44_100, 4, 24, False, 45.0),
    (352_800, 1, 24, False, 28.0),
    (48_000, 24, 24, False, 28.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """One clean capture, fully described, so that it can be made again.

    ``kind``: one of ``synth.KINDS``; ``edge:NAME`` for the makers in ``EDGES`` and ``SOUNDS``;
    ``tape:PATH`` for a recording of the corpus played through tape; ``real:PATH`` for the
    recording as it is; ``textbook:DB`` for sounds of a textbook that leak by so much; ``reel`` for
    a complete one, whose sheet, where there is one, tells the kinds of its tracks.
    """

    kind: str
    rate_hz: int
    tracks: int
    word_length: int = 24
    floating: bool = False
    seconds: float = 8.0
    seed: int = 0
    hiss_dbfs: float | None = None
    level_dbfs: float | None = None
    rise_db: float | None = None
    told_nr: bool = True  # whether the sheet says that there is no noise reduction

    @property
    def name(self) -> str:
        """Short, for tables."""
        word = "float" if self.floating else f"{self.word_length} bit"
        return f"{self.kind} {self.rate_hz / 1000:g} kHz {self.tracks} tr {word} seed {self.seed}"

    @property
    def fmt(self) -> CaptureFormat:
        return CaptureFormat(
            rate_hz=self.rate_hz,
            channels=self.tracks,
            word_length=32 if self.floating else self.word_length,
            floating=self.floating,
        )

    @property
    def asked(self) -> Asked:
        return Asked(
            rate_hz=self.rate_hz,
            tracks=self.tracks,
            seconds=self.seconds,
            seed=self.seed,
            word_length=self.word_length,
        )

    @property
    def sheet(self) -> Sheet:
        if self.kind == "reel" and not self.told_nr:
            return Sheet()
        reduction = NoiseReduction.NONE if self.told_nr else NoiseReduction.UNKNOWN
        kinds = (
            synth.track_kinds(self.kind, self.tracks)
            if self.kind in synth.KINDS
            else ("programme",) * self.tracks
        )
        if "unused" in self.kind:
            kinds = (*kinds[:-1], "unused")
        if self.kind == "reel":
            kinds = laid_out(self.asked).kinds
        return Sheet(
            tracks=tuple(TrackEntry(kind=TrackKind(k)) for k in kinds),
            tape=Tape(speed_cm_s=38.1, noise_reduction=reduction),
        )

    def key(self) -> str:
        told = repr([*sorted(asdict(self).items()), VERSION])
        return hashlib.sha256(told.encode()).hexdigest()[:16]

    def samples(self, cache: Path) -> NDArray[np.int32]:
        """int32, (tracks, frames), from the cache or made now. Float beds too: see ``native``."""
        path = cache / f"{self.key()}.npy"
        if not path.exists():
            cache.mkdir(parents=True, exist_ok=True)
            part = path.with_suffix(".part.npy")
            np.save(part, self.made())
            part.rename(path)
        found: NDArray[np.int32] = np.load(path)
        return found

    def native(self, samples: NDArray[np.int32]) -> NDArray[Any]:
        """What a reader would hand to the checks."""
        return synth.as_float(samples) if self.floating else samples

    def made(self) -> NDArray[np.int32]:
        """int32, (tracks, frames)."""
        asked = self.asked
        if self.kind == "reel":
            return a_reel(asked, self.hiss_dbfs or -62.0)
        if self.kind.startswith("edge:"):
            return {**EDGES, **SOUNDS}[self.kind[5:]](asked)
        if self.kind.startswith("textbook:"):
            return by_the_book(asked, float(self.kind[9:]), self.hiss_dbfs or -62.0)
        if self.kind.startswith("real:"):
            return recording(self.kind[5:])[0]
        if self.kind.startswith("tape:"):
            return played(self.kind[5:], self.rate_hz, self.tracks, self.seconds, self.seed)
        given = {
            "hiss_dbfs": self.hiss_dbfs,
            "level_dbfs": self.level_dbfs,
            "converter_rise_db": self.rise_db,
        }
        return synth.programme(
            self.kind,
            rate_hz=self.rate_hz,
            tracks=self.tracks,
            seconds=self.seconds,
            seed=self.seed,
            word_length=self.word_length,
            **{k: v for k, v in given.items() if v is not None},
        )


EVENTS: Final = ("relays", "splices-skewed", "splices-butt", "leader", "switched-off")
"""Kinds with events that a person may well be sent to; only a ``redo`` is wrong there."""


def _until(minutes: float, beds: Iterable[Bed]) -> Iterator[Bed]:
    """The first of some beds, until so much programme is together."""
    told_s = 0.0
    for bed in beds:
        if told_s >= minutes * 60:
            return
        yield bed
        told_s += bed.seconds


def clean(minutes: float, seed: int, *, events: bool = False) -> Iterator[Bed]:
    """Beds of all kinds and formats until so much programme is together."""
    rng = np.random.default_rng(seed)
    kinds = [k for k in synth.KINDS if (k in EVENTS) == events]
    drawn = (kind for _ in itertools.count() for kind in rng.permutation(kinds))
    return _until(
        minutes,
        (
            _drawn(str(kind), FORMATS[count % len(FORMATS)], rng, seed * 1000 + count)
            for count, kind in enumerate(drawn)
        ),
    )


def _drawn(kind: str, form: Sequence[Any], rng: np.random.Generator, seed: int) -> Bed:
    rate_hz, tracks, word, floating, seconds = form
    hiss = float(rng.choice([-50, -56, -62, -62, -68, -74, -80]))
    rising = rate_hz >= 176_400 and "rising" not in kind and rng.random() < 0.3
    return Bed(
        kind=kind,
        rate_hz=rate_hz,
        tracks=tracks,
        word_length=word,
        floating=floating,
        seconds=seconds,
        seed=seed,
        hiss_dbfs=None if kind == "worn-tape" else hiss,
        rise_db=float(rng.choice([20, 40, 55])) if rising else None,
        told_nr=bool(rng.random() < 0.6) and "decoded" not in kind,
    )


def textbook(minutes: float, seed: int) -> Iterator[Bed]:
    """Sounds of a textbook, which all begin within one sample, until so much is together."""
    rng = np.random.default_rng([7, seed])

    def drawn(count: int) -> Bed:
        rate_hz = int(rng.choice([44_100, 48_000, 96_000, 192_000, 352_800]))
        return Bed(
            kind=f"textbook:{rng.choice(LEAKS_DB)}",
            rate_hz=rate_hz,
            tracks=int(rng.choice([1, 2, 4, 8] if rate_hz <= 96_000 else [1, 2, 4])),
            seconds=20.0 if rate_hz <= 96_000 else 10.0,
            seed=seed * 1000 + count,
            hiss_dbfs=float(rng.choice([-55, -62, -72])),
            told_nr=False,
        )

    return _until(minutes, map(drawn, itertools.count()))


def reels(minutes: float, seed: int) -> Iterator[Bed]:
    """Complete reels until so much is together, every second one with a sheet."""
    rng = np.random.default_rng([43, seed])

    def drawn(count: int) -> Bed:
        rate_hz, tracks, word, floating, seconds = REELS[count % len(REELS)]
        return Bed(
            kind="reel", rate_hz=rate_hz, tracks=tracks, word_length=word, floating=floating,
            seconds=round(seconds * rng.uniform(0.85, 1.1), 1), seed=seed * 1000 + count,
            hiss_dbfs=round(rng.uniform(-68, -54), 1), told_nr=count % 2 == 0,
        )  # fmt: skip

    return _until(minutes, map(drawn, itertools.count()))


def edges(seed: int) -> Iterator[Bed]:
    """Signals on the edge of what is a fault, each fine as it stands."""
    for count, name in enumerate((*EDGES, *SOUNDS)):
        for rate_hz in (44_100, 96_000, 352_800):
            yield Bed(
                kind=f"edge:{name}", rate_hz=rate_hz, tracks=2, seconds=6.0, seed=seed + count,
                word_length=16 if "16 bit" in name else 24,
            )  # fmt: skip


def recordings(seed: int) -> Iterator[Bed]:
    """Real recordings, as they are and played through tape; none without the corpus."""
    if not CORPUS.is_dir():
        return
    for path in REAL:
        samples, rate_hz, word, floating = recording(path)
        yield Bed(
            kind=f"real:{path}", rate_hz=rate_hz, tracks=len(samples), word_length=word,
            floating=floating, seconds=samples.shape[1] / rate_hz,
        )  # fmt: skip
        if not path.startswith("ultrasonic"):
            for k, (rate, tracks) in enumerate(((352_800, 2), (96_000, 4))):
                yield Bed(
                    kind=f"tape:{path}", rate_hz=rate, tracks=tracks, seconds=6.0, seed=seed + k
                )


def for_plants(seed: int, count: int, kinds: Sequence[str] | None = None) -> list[Bed]:
    """Beds that have programme all through, for planting."""
    rng = np.random.default_rng([seed, 77])
    usable = kinds or [
        k
        for k in synth.KINDS
        if k not in ("session", "switched-off", "leader", "relays", "hiss-only", "tones", "fades")
        and "splices" not in k
    ]
    out = []
    for n in range(count):
        kind = str(usable[n % len(usable)])
        bed = _drawn(kind, FORMATS[int(rng.permutation(len(FORMATS))[0])], rng, seed * 1000 + n)
        out.append(replace(bed, hiss_dbfs=max(bed.hiss_dbfs or -62, -74)))
    return out
