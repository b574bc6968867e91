"""The limits of the lineup check. Tolerances stand in the transfer sheet, not here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from annotated_types import Ge, Le


@dataclass(frozen=True, slots=True, kw_only=True)
class LineupLimits:
    """Limits of the lineup check; every field's comment is its entry in ``default.yaml``."""

    # Shortest tone that counts as a line-up tone. 1 to 60 s.
    # Source: common practice (line-up tones last 10 to 30 s, those of test tapes 2 s and more).
    min_tone_s: Annotated[float, Ge(1), Le(60)] = 1.95
    # Lowest level of a tone on the median track. -80 to -20 dBFS.
    # Source: common practice (tones 20 dB under a reference of -18 dBFS, with room).
    min_level_dbfs: Annotated[float, Ge(-80), Le(-20)] = -46.0
    # By how much all else in the track (hiss, hum, distortion) must lie under a tone. 6 to 40 dB.
    # Source: common practice (a tone 20 dB down over the hiss of slow tape).
    alone_db: Annotated[float, Ge(6), Le(40)] = 13.0
    # Share of the programme tracks that must carry a tone at once. 0.3 to 1.
    # Source: common practice (line-up tones are recorded on all tracks; some may be dead).
    tracks_share: Annotated[float, Ge(0.3), Le(1)] = 0.6
    # Delay between neighbouring tracks that is to be listened to where the sheet gives no tape
    # speed or track spacing. 1 to 1000 us. Source: common practice (45 degrees at 10 kHz: their
    # sum loses 0.7 dB there).
    neighbour_delay_us: Annotated[float, Ge(1), Le(1000)] = 12.5
    # Tones listed in the report; the rest is only counted. 1 to 1000.
    # Source: common practice (a full frequency run has some 30).
    listed: Annotated[int, Ge(1), Le(1000)] = 64
