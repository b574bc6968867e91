"""What a capture is expected to be: the transfer sheet, as far as the checks know it.

The keys are those of ``transfer.yaml``; ``config`` binds the text to these classes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated

from annotated_types import Ge, Gt, Le


class TrackKind(StrEnum):
    """What a track carries. All but ``programme`` are excused from what does not suit them."""

    PROGRAMME = "programme"
    UNUSED = "unused"
    TIMECODE = "timecode"
    PILOT = "pilot"
    CLICK = "click"


class ReelKind(StrEnum):
    PROGRAMME = "programme"
    LINEUP = "lineup"


class Equalisation(StrEnum):
    """Replay equalisation, IEC 60094-1."""

    IEC1 = "IEC1"
    NAB = "NAB"
    AES = "AES"


class NoiseReduction(StrEnum):
    NONE = "none"
    ENCODED = "encoded"
    DECODED = "decoded"
    UNKNOWN = "unknown"


class ContainerName(StrEnum):
    """Container families; ``wav`` covers RIFF, RF64 and BW64."""

    WAV = "wav"
    RF64 = "rf64"
    BW64 = "bw64"
    RIFX = "rifx"
    W64 = "w64"
    AIFF = "aiff"
    AIFC = "aifc"
    CAF = "caf"
    FLAC = "flac"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Expect:
    """The format asked for; None asks for nothing."""

    rate_hz: Annotated[int, Ge(1), Le(3_100_000)] | None = None
    channels: Annotated[int, Ge(1), Le(256)] | None = None
    word_length: Annotated[int, Ge(4), Le(64)] | None = None
    containers: tuple[ContainerName, ...] | None = None
    min_duration_s: Annotated[float, Ge(0)] | None = None
    max_duration_s: Annotated[float, Gt(0)] | None = None
    above_20_khz: bool = False
    stored_digest: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackEntry:
    """One track of the sheet, in order."""

    name: str | None = None
    kind: TrackKind = TrackKind.PROGRAMME


@dataclass(frozen=True, slots=True, kw_only=True)
class Reel:
    number: str | None = None
    kind: ReelKind = ReelKind.PROGRAMME


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    speed_cm_s: Annotated[float, Gt(0), Le(305)] | None = None
    track_spacing_mm: Annotated[float, Gt(0), Le(60)] | None = None
    track_width_mm: Annotated[float, Gt(0), Le(60)] | None = None
    equalisation: Equalisation | None = None
    noise_reduction: NoiseReduction = NoiseReduction.UNKNOWN
    low_frequency_compensated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetTone:
    """A line-up tone as the calibration tape gives it."""

    hz: Annotated[float, Ge(10), Le(100_000)]
    dbfs: Annotated[float, Ge(-80), Le(6)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineupSheet:
    """The line-up asked for. The tolerances' reasons stand in ``default.yaml``."""

    reference_dbfs: Annotated[float, Ge(-60), Le(6)] | None = None
    reference_hz: Annotated[float, Ge(20), Le(20_000)] = 1000.0
    tones: tuple[SheetTone, ...] = ()
    reference_track: Annotated[int, Ge(1), Le(256)] = 1
    level_db: Annotated[float, Gt(0), Le(20)] = 0.3
    response_db: Annotated[float, Gt(0), Le(20)] = 1.0
    azimuth_arcmin: Annotated[float, Gt(0), Le(60)] = 1.0
    speed_percent: Annotated[float, Gt(0), Le(20)] = 0.2
    flutter_percent: Annotated[float, Gt(0), Le(10)] = 0.1
    distortion_percent: Annotated[float, Gt(0), Le(100)] = 3.0
    nr_mark_dbfs: Annotated[float, Ge(-60), Le(6)] | None = None
    valid_h: Annotated[float, Gt(0), Le(10_000)] = 12.0
    required: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The whole sheet as it applies to one capture."""

    expect: Expect = field(default_factory=Expect)
    tracks: tuple[TrackEntry, ...] = ()
    same: tuple[tuple[int, ...], ...] = ()
    reel: Reel = field(default_factory=Reel)
    machine: str | None = None
    tape: Tape = field(default_factory=Tape)
    lineup: LineupSheet = field(default_factory=LineupSheet)

    @property
    def tracks_asked(self) -> int | None:
        """How many tracks there are to be: as the sheet says, else as many as it names."""
        return self.expect.channels or len(self.tracks) or None

    def track(self, index: int) -> TrackEntry:
        """The entry of a track, counted from 0; the default beyond the sheet's list."""
        return self.tracks[index] if index < len(self.tracks) else TrackEntry()

    def track_name(self, index: int) -> str:
        """What people call the track: its name on the sheet, else ``track N`` from 1."""
        return self.track(index).name or f"track {index + 1}"

    def declared_same(self, a: int, b: int) -> bool:
        """Whether the sheet declares two tracks (from 0) to carry the same signal."""
        return any(a + 1 in group and b + 1 in group for group in self.same)
