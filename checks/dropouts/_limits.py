"""The limits of the dropouts check: first those of the digital parts, then those of the tape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from annotated_types import Ge, Le


@dataclass(frozen=True, slots=True, kw_only=True)
class DropoutsLimits:
    """Limits of the dropouts check; every field's comment is its entry in ``default.yaml``."""

    # ---- digital parts: zero and held runs, repeated blocks, steps --------------------------

    # Consecutive zero samples in one track, between programme, that count as lost audio. The
    # count rises by itself where the local noise is only a few steps of the word.
    # 2 to 1000000 samples. Source: common practice (a converter's own noise at 24 bit never
    # holds zero for more than two or three samples).
    zero_run_one_track: Annotated[int, Ge(2), Le(1_000_000)] = 16
    # The same where all tracks are zero at once. 2 to 1000000 frames. Source: common practice.
    zero_run_all_tracks: Annotated[int, Ge(2), Le(1_000_000)] = 8
    # Consecutive equal samples, other than zero, that count as a held value. Rises by itself
    # like the zero runs. 3 to 1000000 samples. Source: common practice.
    held_run: Annotated[int, Ge(3), Le(1_000_000)] = 24
    # Frames that must come again bit for bit to count as a repeated block. 32 to 65536 frames.
    # Source: common practice (buffers of converters and drivers start at 32 frames).
    repeated_block: Annotated[int, Ge(32), Le(65_536)] = 32
    # Longest way back to the first playing of a repeated block. 0.001 to 10 s.
    # Source: common practice (driver buffers hold well under a second; twice that for safety).
    repeat_lag_s: Annotated[float, Ge(0.001), Le(10)] = 2.0
    # Jump over the whitened residual of one track that is looked at as a possible step.
    # 8 to 100 times the standard deviation. Source: own trials; clean programme reaches 10.
    step_one_track: Annotated[float, Ge(8), Le(100)] = 12.0
    # The same where several tracks jump at the very same frame. 6 to 100 times the standard
    # deviation. Source: own trials.
    step_several_tracks: Annotated[float, Ge(6), Le(100)] = 8.0
    # Findings of one digital kind that are listed one by one; the rest is only counted.
    # 1 to 10000. Source: common practice (what a person can look at in a morning).
    listed_digital: Annotated[int, Ge(1), Le(10_000)] = 50

    # ---- tape part: motion, contact, level, high frequencies, cuts --------------------------
