"""The limits of the dropouts check: first those of the digital parts, then those of the tape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from annotated_types import Ge, Le

NEARLY: Final = 0.85
"""Share of a limit of the steps that is enough: two ways to tell the floor differ by so much. Own
trials."""


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

    # Fall of the hiss above 5 kHz that counts as a lift of the tape from the head, once it lasts
    # 5 ms; shorter ones must be deeper (see ``_contact``). 4 to 40 dB. Source: common practice
    # (6 dB counts as a drop-out of the tape), raised by what steady hiss does by itself.
    contact_loss_db: Annotated[float, Ge(4), Le(40)] = 6.0
    # Length from which a proven lift with at least ``contact_redo_db`` at 10 kHz asks for another
    # playing. 5 to 1000 ms. Source: common practice (longer than a drum's attack masks).
    contact_redo_ms: Annotated[float, Ge(5), Le(1000)] = 30.0
    # Loss at 10 kHz from which a proven lift of that length asks for another playing.
    # 6 to 60 dB. Source: common practice (half the loudness is gone at 10 dB).
    contact_redo_db: Annotated[float, Ge(6), Le(60)] = 10.0
    # Fall of the level at all frequencies, hiss included, that counts as a level dip.
    # 4 to 40 dB. Source: common practice (drop-out of the tape).
    level_dip_db: Annotated[float, Ge(4), Le(40)] = 6.0
    # Lasting fall of a track's hiss above 8 kHz, beyond what its lower hiss does, that counts as
    # a clogging head. 2 to 40 dB. Source: own trials; bulk-erased stretches differ by 3 to 4 dB,
    # but at all frequencies.
    hf_loss_db: Annotated[float, Ge(2), Le(40)] = 4.0
    # Lasting fall of a track's whole hiss that counts as a lost signal. 4 to 60 dB.
    # Source: common practice (replay amplifiers lie 8 to 12 dB under the hiss; bulk-erased
    # stretches 3 to 4 dB).
    signal_lost_db: Annotated[float, Ge(4), Le(60)] = 6.0
    # How long a fall must last to be called lasting; shorter ones are lifts. 0.5 to 600 s.
    # Source: own trials (lifts are found up to some 0.7 s; no fall on clean programme).
    lasting_s: Annotated[float, Ge(0.5), Le(600)] = 0.6
    # Shortest stretch without tape that is noted. 0.2 to 600 s. Source: common practice.
    no_tape_s: Annotated[float, Ge(0.2), Le(600)] = 0.4
    # Findings of one tape kind that are listed one by one, worst first; the rest is only counted.
    # 1 to 10000. Source: common practice (what a person can listen to in a morning).
    listed_tape: Annotated[int, Ge(1), Le(10_000)] = 30
