"""What the checks measure, in the form of the sidecar (contract, version 1).

Levels are AES17 dBFS: a full-scale sine is 0 dBFS rms and 0 dBFS peak. None: not measured, or
minus infinity; a ``why`` field says which where both can be. Tracks count from 1 here, because
these are the report's own lines. Built by the checks, written by ``watcher.report``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkLine:
    id: str
    offset: int
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BextLine:
    """The broadcast extension, EBU Tech 3285 v2 (May 2011). None: not set, or before version 2."""

    description: str
    originator: str
    originator_reference: str
    origination_date: str
    origination_time: str
    time_reference: int
    version: int
    umid: str | None
    loudness_lufs: float | None
    loudness_range_lu: float | None
    max_true_peak_dbtp: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    coding_history: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ContainerFileLine:
    kind: str
    header_frames: int | None
    found_frames: int | None
    audio_offset: int | None
    audio_bytes: int | None
    chunks: tuple[ChunkLine, ...]
    bext: BextLine | None
    name: str | None = None  # of the file, within a track set


@dataclass(frozen=True, slots=True, kw_only=True)
class ContainerMeasures:
    files: tuple[ContainerFileLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FormatMeasures:
    bits_used: tuple[int | None, ...]
    rate_is_preferred: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippingLine:
    track: int
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    full_scale_runs: int
    longest_run: int
    flat_tops: int
    flat_top_dbfs: float | None
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippingMeasures:
    tracks: tuple[ClippingLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DropoutsLine:
    track: int
    zero_runs: int
    held_runs: int
    repeated_blocks: int
    steps: int
    contact_losses: int
    level_dips: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DropoutsMeasures:
    tracks: tuple[DropoutsLine, ...]
    programme_s: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackLine:
    track: int
    rms_dbfs: float | None
    hiss_dbfs: float | None
    dc_percent: float | None
    hum_dbfs: float | None
    hum_hz: float | None
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PairLine:
    tracks: tuple[int, int]
    correlation: float | None
    gain_db: float | None
    delay_us: float | None
    residual_db: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TracksMeasures:
    tracks: tuple[TrackLine, ...]
    pairs: tuple[PairLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandLine:
    from_hz: float
    to_hz: float
    level_dbfs: float | None
    movement_db: float | None
    correlation: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpectralLine:
    hz: float
    dbfs: float
    likely: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UltrasonicTrackLine:
    track: int
    information_hz: float | None
    brickwall_hz: float | None
    bands: tuple[BandLine, ...]
    lines: tuple[SpectralLine, ...]
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UltrasonicMeasures:
    tracks: tuple[UltrasonicTrackLine, ...]
    spectra_share: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneTrackLine:
    track: int
    level_dbfs: float | None
    deviation_db: float | None
    phase_deg: float | None  # positive: later than the reference track
    flutter_percent: float | None  # weighted, two sigma
    phase_spread_deg: float | None = None
    flutter_unweighted_percent: float | None = None
    steadiness_db: float | None = None  # from the 5th to the 95th percentile of the level
    distortion_percent: float | None = None  # second and third harmonic
    noise_dbfs: float | None = None  # without the tone and these harmonics


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneLine:
    start_s: float
    end_s: float
    frequency_hz: float
    nominal_hz: float | None
    kind: str  # steady | reference-tone
    tracks: tuple[ToneTrackLine, ...]
    expected_dbfs: float | None = None
    step_db: float | None = None  # how much lower than the reference tone it was recorded
    flutter_percent: float | None = None  # of all tracks together


@dataclass(frozen=True, slots=True, kw_only=True)
class AzimuthLine:
    track: int
    against: int
    delay_us: float | None
    uncertainty_us: float | None
    angle_arcmin: float | None
    inverted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseLine:
    track: int
    frequency_hz: float
    relative_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StandsOnLine:
    capture: str
    at: str
    worst: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineupMeasures:
    tones: tuple[ToneLine, ...]
    speed_error_percent: float | None
    azimuth: tuple[AzimuthLine, ...]
    response: tuple[ResponseLine, ...]
    stands_on: StandsOnLine | None = None
    head_tilt_arcmin: float | None = None
    tones_found: int = 0  # all of them; ``tones`` is cut to the limit


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredDigestLine:
    kind: str
    expected: str
    found: str | None
    agrees: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumMeasures:
    stored: tuple[StoredDigestLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """The measures of all checks; None where a check did not run."""

    container: ContainerMeasures | None = None
    format: FormatMeasures | None = None
    clipping: ClippingMeasures | None = None
    dropouts: DropoutsMeasures | None = None
    tracks: TracksMeasures | None = None
    ultrasonic: UltrasonicMeasures | None = None
    lineup: LineupMeasures | None = None
    checksum: ChecksumMeasures | None = None
