"""The words all checks share: verdicts, findings, the capture's format, what a check is.

Tracks count from 0 here and from 1 for people; a frame is one sample of every track; arrays are
planar, ``(tracks, frames)``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from checks.block import Block

Samples = NDArray[Any]
"""int32 left-justified (full scale 2**31), float32 or float64 (full scale 1.0)."""

Value = str | int | float | bool | None | list[Any] | dict[str, Any]
"""What a finding may carry: anything JSON can hold without NaN."""


class Verdict(StrEnum):
    """What a person must do about a capture or a finding; ``worst`` orders them."""

    CLEAR = "clear"
    LISTEN = "listen"
    REDO = "redo"
    UNREAD = "unread"

    @property
    def rank(self) -> int:
        return _RANKS[self]

    @staticmethod
    def worst(verdicts: Iterable[Verdict]) -> Verdict:
        """The worst of some verdicts; ``clear`` of none."""
        return max(verdicts, key=lambda v: v.rank, default=Verdict.CLEAR)


_RANKS = {Verdict.CLEAR: 0, Verdict.LISTEN: 1, Verdict.REDO: 2, Verdict.UNREAD: 3}


class Remedy(StrEnum):
    """What mends a finding."""

    REPLAY = "replay"
    RECOPY = "recopy"
    MEND = "mend"
    LISTEN = "listen"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that a check saw.

    Attributes:
        check: name of the check, as in ``checks.registry``.
        kind: what was seen, e.g. ``zero-run``.
        verdict, remedy: what it asks for.
        tracks: tracks concerned, from 0; empty where it concerns the whole capture.
        start_frame: first frame concerned, from the first frame found; None without a place.
        frames: length in frames; None without a place.
        text: one plain sentence, without track names and times (the report adds those).
        values: measured values, with units in their names; ``count`` and ``listed`` for lists.
    """

    check: str
    kind: str
    verdict: Verdict
    remedy: Remedy
    text: str
    tracks: tuple[int, ...] = ()
    start_frame: int | None = None
    frames: int | None = None
    values: Mapping[str, Value] = field(default_factory=dict)

    @property
    def starts(self) -> tuple[int, ...]:
        """The first frame of each place that is listed; several where they are told together."""
        each = self.values.get("start_frames")
        if isinstance(each, list):
            return tuple(at for at in each if isinstance(at, int))
        return () if self.start_frame is None else (self.start_frame,)


class Encoding(StrEnum):
    """How a sample is coded; only PCM and FLOAT are read without a decoder."""

    PCM = "pcm"
    FLOAT = "float"
    FLAC = "flac"
    ALAW = "alaw"
    ULAW = "ulaw"
    DSD = "dsd"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFormat:
    """What the samples of a capture are, as far as the checks need it.

    Attributes:
        rate_hz: sampling rate.
        channels: number of tracks.
        word_length: bits that the header calls valid (24 for 24-in-32).
        floating: samples are float (full scale 1.0), not int32 (full scale 2**31).
        frames: whole frames found in the file; None where only decoding will tell.
        container_bits: bits a stored sample occupies (32 for 24-in-32); 0 when compressed.
        lossy: the coding's name, where it does not give back what went in (A-law, MP3); else "".
    """

    rate_hz: int
    channels: int
    word_length: int
    floating: bool = False
    frames: int | None = None
    container_bits: int = 0
    lossy: str = ""

    @property
    def full_scale(self) -> float:
        """Magnitude of negative full scale in the units of ``Block.samples``."""
        return 1.0 if self.floating else 2.0**31

    @property
    def lsb(self) -> float:
        """One step of the word in the units of ``Block.samples``.

        For float captures the step of a 24-bit word is taken: float32 holds 24 bits.
        """
        bits = min(self.word_length, 24) if self.floating else self.word_length
        return self.full_scale * 2.0 ** (1 - bits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one check found and measured. ``measures`` is a dataclass of ``checks.measures``."""

    findings: tuple[Finding, ...] = ()
    measures: Any = None


class CheckPass(Protocol):
    """One check at work on one capture: blocks in order, then the outcome."""

    def feed(self, block: Block) -> None: ...

    def finish(self) -> Outcome: ...


def dbfs_rms(mean_square: float) -> float:
    """Level of a mean square (full scale 1.0) in dBFS; -inf for nothing.

    AES17-2015: a sine whose peak reaches full scale has 0 dBFS rms, so the rms is scaled by
    the square root of two.
    """
    return 10.0 * math.log10(2.0 * mean_square) if mean_square > 0 else -math.inf


def dbfs_peak(magnitude: float) -> float:
    """Level of a magnitude (full scale 1.0) in dBFS peak; -inf for nothing."""
    return 20.0 * math.log10(magnitude) if magnitude > 0 else -math.inf


def rounded(value: float | np.floating[Any] | None, digits: int = 2) -> float | None:
    """A measured value as the report holds it: rounded, and null for what is not finite."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0  # + 0.0: never "-0.0"


def lasting(seconds: float) -> str:
    """A length of time as people read it, three digits: ``333 us``, ``5.27 ms``, ``1.46 s``."""
    if seconds < 999.5e-6:
        return f"{seconds * 1e6:.3g} us"
    return f"{seconds * 1e3:.3g} ms" if seconds < 0.9995 else f"{seconds:,.2f} s"


def milliseconds(frames: int, rate_hz: int) -> float:
    """A length of so many frames in ms, as the report holds it."""
    return round(frames / max(rate_hz, 1) * 1000, 4)


def length_told(count: int, rate_hz: int, of: str = "frame") -> str:
    """So many frames or samples, and how long they last, in words."""
    return f"{count:,} {of}{'' if count == 1 else 's'} ({lasting(count / max(rate_hz, 1))})"


def clock(frame: int, rate_hz: int) -> str:
    """A place in time as people read it: ``hh:mm:ss.mmm``, rounded down to the millisecond."""
    ms = frame * 1000 // rate_hz if rate_hz > 0 else 0
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"
