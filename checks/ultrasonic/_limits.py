"""The limits of the ultrasonic check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from annotated_types import Ge, Le


@dataclass(frozen=True, slots=True, kw_only=True)
class UltrasonicLimits:
    """Limits of the ultrasonic check; every field's comment is its entry in ``default.yaml``."""

    # By how much a noise floor must fall to count as a wall. 6 to 60 dB.
    # Source: common practice (24-bit dither lies 25 dB and more under any input's noise, 16-bit
    # dither 10 dB under a quiet tape's hiss).
    wall_depth_db: Annotated[float, Ge(6), Le(60)] = 10.0
    # How steeply it must fall. 60 to 400 dB an octave.
    # Source: common practice (hiss, head gaps and gentle converter filters stay below 60, the
    # filters that end a sampling rate's band reach 150 to 1000).
    wall_slope_db_octave: Annotated[float, Ge(60), Le(400)] = 90.0
    # A wall below this frequency asks for a replay, a higher one for listening. 20000 to 100000 Hz.
    # Source: half of 48 kHz and some room; what was recorded at 88.2 kHz and more holds all that
    # tapes usually do.
    wall_redo_hz: Annotated[float, Ge(20_000), Le(100_000)] = 30_000.0
    # What tape and heads may take from the programme between 17 and 22 kHz, beyond the slope it
    # has below, before its absence counts. 3 to 60 dB; twice that where the sheet's tape speed is
    # 19.05 cm/s or less. Source: common practice (tapes at 38 cm/s are 3 dB down at 18 to 22 kHz
    # and fall by 24 dB an octave).
    absent_allowance_db: Annotated[float, Ge(3), Le(60)] = 12.0
    # By how much a steady line must stand over both its sides in the mean spectrum. 6 to 40 dB.
    # Source: common practice (the spectrum's own scatter is below 1 dB).
    line_prominence_db: Annotated[float, Ge(6), Le(40)] = 8.0
    # Level from which a steady line above 20 kHz is to be listened to. -120 to 0 dBFS.
    # Source: common practice (as loud as the hiss of a good tape; bias residue and supplies lie
    # 20 dB and more under that).
    line_listen_dbfs: Annotated[float, Ge(-120), Le(0)] = -60.0
    # Lines listed in a finding, the strongest first; the rest is only counted. 1 to 64.
    # Source: common practice (what a person can look at in a morning).
    listed: Annotated[int, Ge(1), Le(64)] = 16
