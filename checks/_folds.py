"""Short crests that may have wrapped round, judged by what the signal around them foretells.

Where a signal moves by half its range from sample to sample (castanets at 48 kHz) the movements
beside a jump say nothing. There the stretch is taken twice, as it stands and with its short
crests folded back by two full scales, each with the linear prediction fitted to it (normal
equations of the autocorrelation, as in Makhoul, "Linear prediction", Proc. IEEE 63, 1975). What
wrapped is far better foretold once folded back; noise and tones at full level are foretold best
as they stand.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks._runs import Indices

ORDER: Final = 16  # own trials: 12 to 32 judge alike
SPAN: Final = 1024  # frames judged by one prediction; as many again beside them are fitted with it
FEWEST: Final = 8 * ORDER  # from memory: fewer frames fit any prediction
LONGEST: Final = 8  # frames from jump to jump back; in longer ones the movements tell (own trials)
BETTER: Final = 0.6  # of the residual left at a crest that wrapped; own trials: 0.01 to 0.5
CLEARLY: Final = 12.0  # times the usual residual must the difference be: odds of 400 to 1
CROWD: Final = (0.9, 0.98)  # of the top: what wraps spends a fifth of the time above 0.9 at 0.98
FEW: Final = 8  # from memory: fewer samples at the top are no crowd
CHI_SQUARE_MEDIAN: Final = 0.455  # of one degree of freedom, over its mean
RIDGE: Final = 1e-6  # of the power, so that a pure tone has a prediction; own trials


def folded_back(
    row: NDArray[np.float64], at: Indices, ways: Indices, rail: float
) -> NDArray[np.bool_]:
    """Which jumps belong to short crests that wrapped round.

    Args:
        row: (frames,) finite samples, full scale 1.0.
        at: index of the first sample behind each jump by more than full scale, rising.
        ways: 1 for a jump up, -1 for one down.
        rail: magnitude from which a sample stands at full scale: it was clipped, not wrapped.

    Returns:
        (jumps,) whether each is one end of such a crest.
    """
    found = np.zeros(len(at), np.bool_)
    first = _paired(at, ways)
    if len(row) < FEWEST or not len(first) or _crowded(row) or _crowded(-row):
        return found
    crests = np.stack((at[first], at[first + 1]), axis=1)
    beside = row[np.clip(crests[:, :, None] + np.arange(-2, 2), 0, len(row) - 1)]
    free = (np.abs(beside) < rail).all(axis=(1, 2))
    first, crests = first[free], crests[free]
    back = row.copy()
    for (start, stop), way in zip(crests.tolist(), ways[first].tolist(), strict=True):
        back[start:stop] -= 2.0 * way
    spans = crests[:, 0] // SPAN
    for span in np.unique(spans).tolist():
        here = slice(max(0, span * SPAN - SPAN // 2), (span + 1) * SPAN + SPAN // 2)
        which = np.flatnonzero(spans == span)
        as_is, better = _unforetold(row[here]), _unforetold(back[here])
        usual = float(median(better)) / CHI_SQUARE_MEDIAN
        for k in which.tolist():
            around = slice(crests[k, 0] - here.start, crests[k, 1] - here.start + ORDER)
            before, after = float(as_is[around].sum()), float(better[around].sum())
            kept = after < BETTER * before and before - after > CLEARLY * usual
            found[first[k]] = found[first[k] + 1] = kept
    return found


def _paired(at: Indices, ways: Indices) -> Indices:
    """Numbers of the jumps whose next one leads back, nearest pairs first, each jump once."""
    gaps = np.diff(at)
    likely = np.flatnonzero((ways[1:] != ways[:-1]) & (gaps <= LONGEST))
    used = np.zeros(len(at), np.bool_)
    chosen = []
    for k in likely[np.argsort(gaps[likely], kind="stable")].tolist():
        if not used[k] and not used[k + 1]:
            used[k] = used[k + 1] = True
            chosen.append(k)
    return np.asarray(sorted(chosen), np.int64)


def _crowded(row: NDArray[np.float64]) -> bool:
    """Whether samples crowd at the top of a row: it was clipped, and what is clipped wraps not."""
    top = float(row.max())
    at_top = int(np.count_nonzero(row > CROWD[1] * top))
    below = int(np.count_nonzero(row > CROWD[0] * top)) - at_top
    return at_top > max(below, FEW)


def _unforetold(row: NDArray[np.float64]) -> NDArray[Any]:
    """(frames,) squares of what linear prediction leaves of a row."""
    faded = row * np.hanning(len(row))
    power = np.abs(np.fft.rfft(faded, 2 * len(row))) ** 2
    lags = np.fft.irfft(power)[: ORDER + 1]
    lags[0] += RIDGE * lags[0] + np.finfo(np.float64).tiny
    steps = np.abs(np.subtract.outer(np.arange(ORDER), np.arange(ORDER)))
    taps = np.linalg.solve(lags[steps], lags[1:])
    whole: NDArray[Any] = np.convolve(row, np.concatenate(([1.0], -taps)))[: len(row)]
    return whole**2
