"""Tops that are cut off near a place: their corners jump, and clipping tells of them.

A top is a few samples at the extreme of all that is around. Exact ones are equal, those with
dither on them differ by a step or two (``ceilings``). Behind noise or an AC coupling they only
nearly are equal; but the first sample that the past does not foretell is one of them, and should
lie beyond all that is around; or the last that the future does not. And what a coupling tilts after
the noise was cut off too is a straight line, with nothing but dither on it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks._runs import true_runs
from checks.dropouts import _predict
from checks.dropouts._junction import LEAST, ORDER, STANDS_OUT
from checks.dropouts._predict import Floats

_NEAR: Final = 256  # frames on each side within which exact tops count
_CORNER: Final = 16  # frames within which one sample at full scale is a corner of the place
_SOONER: Final = 48  # frames before the screen's peak at which the first corner may lie
_BAND: Final = 0.03  # share of half the range that noise on cut off tops may take up
_STRAY: Final = 2  # samples beyond a ceiling: one word that is wrong may lie anywhere
_DITHER: Final = 2.0  # steps that dither moves a sample by (triangular: one and rounding)
_CROWDED: Final = ((8, 0.75, 8.0), (3, 0.9, 256.0))
"""Least samples so near to an extreme, and least share of those up to so many times as far from it,
that are cut off. From own reckoning: a third of an eighth, a sixteenth of a 256th that bends."""

_BEND: Final = 6.0  # steps that dither bends a line by: the second difference of 0.6 (triangular)
_LINE: Final = 8  # frames of a line; hiss of 10 steps makes one in half a million (own reckoning)
_TILT: Final = 0.1  # most that a tilted top may slope, of the flank beside it (own choice)

_TOP: Final = 0.01
"""How far below the extreme a top may lie, share of half the range: noise and the tilt of an AC
coupling (own choice)."""

_OUTMOST: Final = 0.99  # of the largest nearby, at least (own choice)
_LEVEL: Final = 0.005
"""By how much the samples of a top may differ, of what moves nearby or should be more."""

_PAIR: Final = 2e-3  # the same where a top has but two
_BREAKS: Final = 0.1
"""Least step beside a top, of what moves nearby (own trials: crests by themselves 0.02)."""

_OUT: Final = 0.9  # of the largest around that a tilted top may have (own choice)

Ends = tuple[float, float]  # how low a value may lie at the top, how high at the bottom


def ceilings(x: Floats) -> Ends:
    """How low a value may lie at the top of all, and how high at the bottom, to be cut off there.

    Samples within some steps of the extreme, and hardly more within many times as many, are tops
    with noise on them: a crest that bends leaves a third of those within an eighth (the root of 8).
    Where there are none, the extremes themselves.

    Args:
        x: finite samples in steps of the word.
    """
    ordered = np.sort(x)
    few = len(x) // 50
    most = _BAND * float(ordered[-1 - few] - ordered[few]) / 2
    widths = _DITHER * 2.0 ** np.arange(np.log2(max(most / _DITHER, 0.5)) + 1)
    top, bottom = _side_by_side(x)
    high = _crowd(top - x, top - ordered[::-1], widths)
    low = _crowd(x - bottom, ordered - bottom, widths)
    return (
        float(ordered[-1]) if high is None else top - high,
        float(ordered[0]) if low is None else bottom + low,
    )


def _side_by_side(x: Floats) -> tuple[float, float]:
    """The extremes that two neighbours reach: one word that is wrong may lie anywhere."""
    one, next_one = x[1:], x[:-1]
    return float(np.minimum(one, next_one).max()), float(np.maximum(one, next_one).min())


def _crowd(below: Floats, ordered: Floats, widths: Floats) -> float | None:
    """The least of some widths within which samples crowd next to an extreme.

    Args:
        below: how far each lies from it; ``ordered``: the same in order.
    """
    within = _as_near(ordered, widths)
    crowded = np.zeros(len(widths), np.bool_)
    for least, share, wider in _CROWDED:
        crowded |= (within >= least) & (within >= share * _as_near(ordered, widths * wider))
    for width in widths[crowded]:
        at = np.abs(below) <= width
        if 2 * np.count_nonzero(at) > len(at):
            return None  # where pulses rest between two crests; no ceiling holds for so long
        if 4 * np.count_nonzero(at[1:] & at[:-1]) >= np.count_nonzero(at):
            return float(width)  # side by side, and not once in each period of a tone
    return None


def _as_near(ordered: Floats, widths: Floats) -> NDArray[np.int64]:
    """How many values lie within some widths of 0, on either side."""
    last = np.searchsorted(ordered, widths, side="right")
    return np.asarray(last - np.searchsorted(ordered, -widths, side="left"))


def at_ceiling(x: Floats, start: int, stop: int) -> bool:
    """Whether samples that stand still from ``start`` to before ``stop`` do so at a ceiling.

    They lie at the extreme of all that is around, but for dither, or where other tops are cut off.
    """
    value, around = float(x[start]), np.delete(x, slice(start, stop))
    top, bottom = _side_by_side(x)
    dither = _DITHER if _BAND * (top - bottom) / 2 >= _DITHER else 0.0
    for beyond in (around > value + dither, around < value - dither):
        if np.count_nonzero(beyond) <= _STRAY:
            return True
    top, bottom = ceilings(around)
    return value >= top or value <= bottom


def near(x: Floats, peak: int, ends: Ends, *, full: float) -> bool:
    """Whether tops are cut off near a peak of the screen, on one track.

    Args:
        x: samples in steps of the word; ``ends``: their ceilings.
        full: full scale in these.
    """
    around = x[max(peak - _NEAR, 0) : peak + _NEAR]
    top, bottom = ends
    for at, crowd in ((around >= top, top < x.max()), (around <= bottom, bottom > x.min())):
        if _three(at):
            return True
        if crowd and bool((at[1:] & at[:-1]).any()):  # or two, where there are others
            return True
    here = x[max(peak - _CORNER, 0) : peak + _CORNER]
    if bool((here >= full - 1).any() or (here <= -full).any()):
        return True
    return _levelled(x, peak) or _tilted(x, peak) or _cornered(x, peak, ends)


def _three(at: NDArray[np.bool_]) -> bool:
    """Whether there are three in a row: they are a top."""
    return bool((at[2:] & at[1:-1] & at[:-2]).any())


def corner(x: Floats, frame: int, ends: Ends) -> bool:
    """Whether a top is cut off within some frames of one; ``ends``: the ceilings of ``x``."""
    top, bottom = ends
    here = x[max(frame - _CORNER, 0) : frame + _CORNER]
    return _three(here >= top) or _three(here <= bottom) or _levelled(x, frame)


def _levelled(x: Floats, frame: int) -> bool:
    """Whether samples near a frame are next to equal, in a crest that breaks off there.

    A crest that bends by itself becomes level step by step.
    """
    first = max(frame - _CORNER, 1)
    here = x[first - 1 : frame + _CORNER + 1]
    moves = np.diff(here)
    usual = float(np.abs(np.diff(x[max(frame - _NEAR, 0) : frame + _NEAR])).mean())
    starts, stops = true_runs(np.abs(moves) <= _LEVEL * usual)
    for a, b in zip(starts.tolist(), stops.tolist(), strict=True):
        if a == 0 or b == len(moves) or (b - a == 1 and abs(moves[a]) > _PAIR * usual):
            continue
        up, down = float(moves[a - 1]), float(moves[b])
        out = abs(float(here[a])) >= _OUT * float(np.abs(x).max()) and up * here[a] > 0 > up * down
        if out and max(abs(up), abs(down)) >= _BREAKS * usual:
            return True
    return False


def leave_nothing(x: Floats, frame: int, ends: Ends) -> bool:
    """Whether tops lie on each side of a clean cut, so near that it is clean of their corners.

    The crests of a steady tone, or such that were cut off before something else did not leave them
    as they were: whatever jumps between them is none of their corners.
    """
    low, high = ends
    sides = x[frame - _SOONER : frame - _CORNER], x[frame + _CORNER : frame + _SOONER]
    return all(bool((side >= low).any() or (side <= high).any()) for side in sides)


def cut_off(x: Floats, frame: int, deviation: float, ends: Ends, *, full: float) -> bool:
    """Whether a sample belongs to a clipped top.

    It is as large as any around, or nearly, and should be larger than all; or it is the outmost
    nearby and should be larger by far more than it and the next differ; or two in a row are;
    or at full scale, so near that what should be there is foretold from them; or three at the
    ceiling, where it should be, too.

    Args:
        x: samples of one track.
        deviation: of the sample from what it should be, in their unit.
        ends: the ceilings of ``x``.
        full: full scale in this unit.
    """
    top, bottom = ends
    if _should_be_beyond(x, frame, deviation, ends):
        return True
    here = x[max(frame - ORDER, 0) : frame + ORDER]
    beside = np.abs(x[[max(frame - 1, 0), min(frame + 1, len(x) - 1)]] - x[frame]).min()
    outmost = abs(float(x[frame])) >= float(np.abs(here).max()) * _OUTMOST
    if outmost and x[frame] * deviation < 0 and beside <= _LEVEL * abs(deviation):
        return True
    for at in ((here >= full - 1) & (here <= full), (here <= -full + 1) & (here >= -full)):
        if bool((at[1:] & at[:-1]).any()):
            return True
    should, least = float(x[frame]) - deviation, _range(x)[2]
    dips = (should >= top - least and _three(here >= top)) or (
        should <= bottom + least and _three(here <= bottom)
    )
    if dips:
        return True
    around = x[max(frame - 2, 0) : frame + 3]
    return any(bool((at[1:] & at[:-1]).any()) for at in (around >= top, around <= bottom))


def _should_be_beyond(x: Floats, frame: int, deviation: float, ends: Ends) -> bool:
    """``ends``: the ceilings of ``x``."""
    value, should = float(x[frame]), float(x[frame]) - deviation
    top, bottom, least = _range(x)
    low, high = ends
    return (value >= top - least and should > low) or (value <= bottom + least and should < high)


def _range(x: Floats) -> tuple[float, float, float]:
    """The extremes, and how far from them a top may lie."""
    top, bottom = float(x.max()), float(x.min())
    return top, bottom, _TOP * (top - bottom) / 2


def _tilted(x: Floats, peak: int) -> bool:
    """Whether a straight line begins or ends near the peak, and a flank leads out to it."""
    return _line_from(x, peak) or _line_from(x[::-1], len(x) - 1 - peak)


def _line_from(x: Floats, peak: int) -> bool:
    first = max(peak - _CORNER, _LINE)
    here = x[first : peak + _CORNER + _LINE]
    starts, stops = true_runs(np.abs(np.diff(here, 2)) <= _BEND)
    for start in (starts[stops - starts >= _LINE] + first).tolist():
        if abs(start - peak) > _CORNER or start < _LINE:
            continue
        along, flank = (
            float(x[start + 1] - x[start]),
            float(x[start - 1] - x[start - 1 - _LINE // 2]),
        )
        outwards = flank * (float(x[start]) - float(median(x))) > 0
        if outwards and abs(along) <= _TILT * abs(flank) / (_LINE // 2):
            return True
    return False


def _cornered(x: Floats, peak: int, ends: Ends) -> bool:
    """Whether the first sample that the past does not foretell is the corner of a top.

    Or the last that the future does not.
    """
    first, last = peak - _SOONER, peak + _SOONER
    here = x[max(first, 0) : last]
    top, bottom, least = _range(x)
    at_top = bool((here >= top - least).any() or (here <= bottom + least).any())
    if not at_top or min(first, len(x) - last) < LEAST + ORDER:
        return False
    return _comes_to(x, first, ends) or _comes_to(x[::-1], len(x) - last, ends)


def _comes_to(x: Floats, first: int, ends: Ends) -> bool:
    past = x[:first]
    whitening, floor = _predict.known(past, ORDER)
    off = _predict.forward(x[: first + 2 * _SOONER], whitening)[first:]
    out = np.flatnonzero(np.abs(off) > STANDS_OUT * floor)
    return len(out) > 0 and _should_be_beyond(x, first + int(out[0]), float(off[out[0]]), ends)
