"""The limits of the tracks check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from annotated_types import Ge, Gt, Le


@dataclass(frozen=True, slots=True, kw_only=True)
class TracksLimits:
    """Limits of the tracks check; every field's comment is its entry in ``default.yaml``."""

    # How far a track that carries nothing must lie under the hiss of the others to count as
    # silent. 3 to 60 dB. Source: common practice (replay amplifiers lie 8 to 12 dB under the
    # tape's hiss, bulk-erased tape only 3 to 4 dB under bias-erased tape).
    silent_margin_db: Annotated[float, Ge(3), Le(60)] = 6.0
    # Noise from 20 Hz to 20 kHz below which a track that carries nothing counts as silent
    # whatever the others do. -160 to -60 dBFS. Source: common practice (tape hiss lies at -50 to
    # -80 dBFS, a 16-bit converter with dither at -94, better ones from -105 down).
    silent_dbfs: Annotated[float, Ge(-160), Le(-60)] = -90.0
    # Frames that must be equal bit for bit in two tracks to count as identical.
    # 160 to 16384 frames. Source: common practice (buffers of converters and drivers; two tape
    # tracks never agree for more than a few samples).
    identical_frames: Annotated[int, Ge(160), Le(16_384)] = 256
    # How far under the hiss of both tracks the difference of two tracks must lie, after gain and
    # delay, to say that they were one track when they left the tape. 3 to 60 dB.
    # Source: two tracks with hiss of their own differ by 3 dB more than the hiss, whatever the
    # programme; 10 dB less than the hiss leaves no room for it.
    same_signal_margin_db: Annotated[float, Ge(3), Le(60)] = 10.0
    # Shortest delay between two copies of one signal that counts as a delay. 0.01 to 1000 us.
    # Source: common practice (input stages of one converter differ by a tenth of a microsecond).
    delay_us: Annotated[float, Ge(0.01), Le(1000)] = 0.5
    # Longest delay that is looked for. 1 to 100 ms; cut to a third of the stretches compared
    # (60 ms at 352.8 kHz). Source: common practice (two heads of one machine: 50 to 200 ms at
    # 38 cm/s; digital buffers: below 50 ms).
    delay_search_ms: Annotated[float, Ge(1), Le(100)] = 50.0
    # Correlation from which a pair of tracks stands in the report. 0.05 to 1.
    # Source: common practice (neighbours in one room reach 0.3).
    pair_correlation: Annotated[float, Ge(0.05), Le(1)] = 0.4
    # DC offset to listen to, in percent of full scale. 0.0001 to 100 %.
    # Source: common practice (0.1 % is -60 dB; converters keep below 0.02 %).
    dc_percent: Annotated[float, Gt(0), Le(100)] = 0.1
    # Level of a mains line with its harmonics to listen to. -140 to 0 dBFS.
    # Source: common practice (as loud as the hiss of a good tape).
    hum_dbfs: Annotated[float, Ge(-140), Le(0)] = -66.0
    # How far the mains may be off 50 or 60 Hz. 0.05 to 1 %. Source: common practice (large grids
    # keep 0.4 %; 0.5 % still tells 50 Hz from the notes at 49.0 and 51.9 Hz).
    mains_percent: Annotated[float, Ge(0.05), Le(1)] = 0.5
    # Findings of one kind that are listed one by one; the rest is only counted. 1 to 1000.
    # Source: common practice (what a person can look at in a morning).
    listed: Annotated[int, Ge(1), Le(1000)] = 32
