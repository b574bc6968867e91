"""What a pair of tracks that agree amounts to: one signal, inverted, delayed, or two tracks.

Two tracks of a tape have hiss of their own. Their difference, at the best gain and delay, is
then never less than the hiss, and wherever a band holds little else the two have nothing in
common: mono material on two tracks, a stereo pair and crosstalk all look like that, and are
usual. One signal on two inputs behind the tape leaves the noise of the converters only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from checks.model import CaptureFormat
from checks.tracks._limits import TracksLimits
from checks.tracks._pairs import Pair

_NOT_TAPE_DBFS: Final = -95.0  # common practice: no two tapes' hiss lies so low in 20 kHz
_TAPE_DBFS: Final = -75.0  # from memory: with professional noise reduction hiss gets this low
_BEYOND_TAPE_DB: Final = -80.0  # common practice: a tape's range ends at 65 to 75 dB
_EXPLAINED_DB: Final = -3.0  # own choice: of one signal the other holds half at least, from 20 Hz
_COPY_DB: Final = -60.0  # own choice: two microphones before one source differ by far more
_OWN_SHARE: Final = 0.1  # own choice, see _pairs: two tracks with rests reach 0.3 and more
_REVERSED: Final = -0.9  # no two microphones do this over the whole range
_APART_DB: Final = 4.0  # bulk-erased tape lies that far under bias-erased: common practice
_ALIKE_GAIN_DB: Final = 12.0  # own choice: crosstalk is further down


@dataclass(frozen=True, slots=True)
class Sameness:
    """``kind`` as in the findings; ``sure`` unless it may be mono material on two tracks.

    ``shared_hiss``: whether the two even share their hiss; None where the programme covers it.
    """

    kind: str
    sure: bool
    shared_hiss: bool | None


def sameness(
    pair: Pair,
    floors: Mapping[int, float | None],
    fmt: CaptureFormat,
    limits: TracksLimits,
) -> Sameness | None:
    """What the pair is; None for two tracks of their own.

    Args:
        floors: hiss of each track of the capture that has a signal, None where it never stands
            on one level for a while.
    """
    kind = _kind(pair, limits)
    if _one_signal(pair, floors, fmt, limits):
        return Sameness(kind, sure=True, shared_hiss=True)
    covered = pair.own_share is not None and pair.own_share <= _OWN_SHARE
    gain = abs(pair.gain_db) if pair.gain_db is not None else 999.0
    if (
        max(pair.correlation, pair.heard_correlation) <= _REVERSED
        and gain <= _ALIKE_GAIN_DB
        and pair.inverted
    ):
        return Sameness("inverted", sure=True, shared_hiss=None if covered else False)
    return Sameness(kind, sure=False, shared_hiss=None) if covered else None


def _kind(pair: Pair, limits: TracksLimits) -> str:
    if pair.delay_s is not None and abs(pair.delay_s) * 1e6 >= limits.delay_us:
        return "delayed"
    return "inverted" if pair.inverted else "same-signal"


def _one_signal(
    pair: Pair, floors: Mapping[int, float | None], fmt: CaptureFormat, limits: TracksLimits
) -> bool:
    left, share = pair.residual_dbfs, pair.own_share
    if share is None:
        return False
    if left is None or (pair.residual_db is not None and pair.residual_db <= _BEYOND_TAPE_DB):
        return True  # nothing left at all, or less than any tape leaves
    if pair.residual_db is not None and pair.residual_db > _EXPLAINED_DB:
        return False  # what two tracks share above the low limit may be another's attacks
    # two dithered words differ by 3 dB more than one: AES17, triangular dither of two steps
    not_tape = max(_NOT_TAPE_DBFS, -(6.02 * fmt.word_length - 3.0) + 6.0)
    if left <= not_tape and pair.residual_db is not None and pair.residual_db <= _COPY_DB:
        return True  # neither has a tape's hiss, whatever noise its own converter adds
    if share <= 0.5 and pair.quiet_dbfs is not None and left <= not_tape:
        return left <= pair.quiet_dbfs - limits.same_signal_margin_db
    known = [floor for floor in floors.values() if floor is not None]
    if not known or share > _OWN_SHARE or pair.gain_db is None:
        return False
    # Where the two never rest, they hiss as the other tracks of the tape do.
    usual = min(known) - _APART_DB
    first, second = (usual if (own := floors.get(t)) is None else own for t in pair.tracks)
    hiss = min(second, first + pair.gain_db)
    return left <= min(hiss - limits.same_signal_margin_db, _TAPE_DBFS)
