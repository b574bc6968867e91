"""Are two tracks one signal? Gain, polarity, delay, and what is left when it is taken away.

Over the stretches that ``_segments`` kept:

1. Delay of every pair, over all stretches (see ``_delays``), and the share of the spectrum that
   agrees on it; where that is small, the delays that the partials agree on (see ``_partials``).
2. Pairs with a peak, or correlated without delay, are laid over one another: the whole samples,
   then the fraction from the slope of the phase over frequency.
3. Per twelfth of the frequency range (a logarithmic one) the first track is fitted to the second
   by one complex gain; the residual of each such band in each stretch is a cell.

Two tape tracks have hiss of their own, so wherever a band holds little but hiss the residual is
as large as the track itself. Only copies made behind the tape agree in nearly every cell. See
``_verdicts`` for the limits.

Does not see copies later than ``delay_search_ms``, nor copies behind an equaliser that changes
within a band. A steady tone alone tells no delay.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import percentile
from checks._runs import true_runs
from checks.tracks._delays import Spectra, band_of, delays, delays_of_each, hann
from checks.tracks._partials import Partials
from checks.tracks._segments import LENGTH, Segments
from checks.tracks._stretches import AGREES, Lags, at_one_delay, unspoilt

_PEAK: Final = 0.25  # share of agreeing bins from which a delay is taken for found; chance: 0.03
_LOOKED_AT: Final = 128  # pairs laid over one another, the likeliest first
_BANDS: Final = 12
_AGREES_DB: Final = -10.0  # own choice: a cell further down than this holds no hiss of its own
_APART: Final = 1e-3  # samples; closer than that the whole capture tells more than a share of it
_FITS: Final = 4
# By partials a delay is believed where less than this is left: two microphones before one source
# leave more, for they hear another room. And where so much more is left at a lag beside it, in
# samples: each band turns its phase, so a steady tone fits at any. Own choices.
_COPY_DB: Final = -40.0
_BESIDE: Final = 20
_TELLS_DB: Final = 20.0
_ELSEWHERE: Final = 2  # stretches that agree on another delay
_NOTHING: Final = 1e-14  # mean square of a cell that says nothing: -137 dBFS


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two tracks laid over one another; the second is what is explained.

    Attributes:
        correlation: at the best delay.
        gain_db: of the second over the first.
        inverted: of opposite polarity.
        delay_s: how much later the second is; None where nothing tells.
        residual_db: what is left of the second, against the second; -inf for nothing.
        heard_correlation: the same between the band limits of ``Segments`` only.
        residual_dbfs: what is left as a level, between the same limits.
        own_share: share of the cells in which the second has something of its own.
        quiet_dbfs: level of the second in its quietest stretches, same range.
        peak: share of the bins that agree on the delay.
        part: the same of the stretches that agree with one another, where others do not.
        stretches: of a part: first frame, and the one behind the last, of each run of them.
        elsewhere_s: of a part: the delay that most others agree on; None: they agree on none.
    """

    tracks: tuple[int, int]
    correlation: float
    gain_db: float | None
    inverted: bool
    delay_s: float | None
    residual_db: float | None
    heard_correlation: float = 0.0
    residual_dbfs: float | None = None
    own_share: float | None = None
    quiet_dbfs: float | None = None
    peak: float = 0.0
    part: Pair | None = None
    stretches: tuple[tuple[int, int], ...] = ()
    elsewhere_s: float | None = None


def compared(
    segments: Segments,
    covariance: NDArray[np.float64],
    *,
    left_out: set[tuple[int, int]],
    least_correlation: float,
    search_s: float,
) -> list[Pair]:
    """All pairs of tracks that have something to do with one another.

    Args:
        covariance: (tracks, tracks), of the whole capture without delay.
        left_out: pairs known to be equal bit for bit.
        least_correlation: below it, without a delay found, a pair is not given.

    Returns:
        The pairs, closest first.
    """
    spread = np.sqrt(np.maximum(np.diagonal(covariance), 0))
    scale = np.outer(spread, spread)
    plain = np.divide(covariance, scale, out=np.zeros_like(covariance), where=scale > 1e-18)
    x, _ = segments.kept()
    found = delays(x, segments, search_s) if len(x) else {}
    tracks = len(covariance)
    least = min(least_correlation, 0.99)
    partials = Partials(x, segments)
    likely: list[tuple[float, tuple[int, int], int | None]] = []
    for a in range(tracks):
        for b in range(a + 1, tracks):
            if (a, b) in left_out:
                continue
            peak = found.get((a, b), (0, 0.0))[1]
            weight = max(abs(float(plain[a, b])), abs(peak) if abs(peak) >= _PEAK else 0.0)
            shared = None  # the lag of what partials the two share
            if abs(peak) < max(_PEAK, least_correlation):
                shared = partials.lag((a, b), search_s)
            if shared is not None or weight >= least:
                likely.append((weight, (a, b), shared))
    likely.sort(key=lambda entry: (entry[2] is None, -entry[0], entry[1]))
    pairs = []
    for n, (weight, (a, b), shared) in enumerate(likely):
        at, peak = found.get((a, b), (0, 0.0))
        pair = _plain_pair(a, b, covariance, float(plain[a, b]), abs(peak))
        if shared is not None and n < _LOOKED_AT:
            copy = _copy(x[:, a], x[:, b], segments, pair, shared)
            if copy is not None:
                pairs.append(copy)
                continue
        if weight < least:
            continue
        if n < _LOOKED_AT and len(x):
            lag = at if abs(peak) >= _PEAK else None
            pair, left = _laid_over(x[:, a], x[:, b], segments, pair, lag)
            if lag is not None:
                lags, peaks = delays_of_each(x[:, (a, b)], segments, search_s)
                pair = replace(
                    pair, part=_part(x[:, a], x[:, b], segments, pair, left, lags, peaks)
                )
        pairs.append(pair)
    return pairs


def _copy(
    first: NDArray[np.float32],
    second: NDArray[np.float32],
    segments: Segments,
    plain: Pair,
    lag: int,
) -> Pair | None:
    """The pair at a lag that only partials tell; None where that is no copy, or no lag either."""
    copy, _ = _laid_over(first, second, segments, plain, lag)
    beside, _ = _laid_over(first, second, segments, plain, lag + (_BESIDE if lag < 0 else -_BESIDE))
    left, left_beside = (
        -np.inf if p.residual_db is None else p.residual_db for p in (copy, beside)
    )
    return copy if left <= min(_COPY_DB, left_beside - _TELLS_DB) else None


def _plain_pair(
    a: int, b: int, covariance: NDArray[np.float64], correlation: float, peak: float
) -> Pair:
    """What the whole capture tells without any delay."""
    first = float(covariance[a, a])
    gain = float(covariance[a, b]) / first if first > 0 else 0.0
    left = max(1.0 - correlation**2, 0.0)
    return Pair(
        tracks=(a, b),
        correlation=correlation,
        gain_db=20 * math.log10(abs(gain)) if gain else None,
        inverted=gain < 0,
        delay_s=None,
        # single precision: what is left of a sum of products ends near 1e-6 of it
        residual_db=10 * math.log10(left) if left > 2e-6 else None,
        peak=peak,
    )


def _part(
    first: NDArray[np.float32],
    second: NDArray[np.float32],
    segments: Segments,
    pair: Pair,
    left: NDArray[np.float64],
    lags: Lags,
    peaks: NDArray[np.float64],
) -> Pair | None:
    """The pair, of those of its stretches that agree; None where all do, or too few.

    Args:
        left: residual of each stretch with all of them laid over one another, dBFS.
        lags, peaks: of each stretch by itself.
    """
    agreed = at_one_delay(lags, peaks)
    if agreed is None or (agreed[0].all() and unspoilt(left).all()):
        return None
    stay, lag = agreed
    elsewhere = _elsewhere(lags, peaks, stay)
    for _ in range(_FITS):  # what is spoilt spoils the fit as well
        part, left = _laid_over(first[stay], second[stay], segments, pair, lag)
        good = unspoilt(left)
        if good.all():
            break
        stay[stay] = good
    if stay.all():
        return None
    starts = segments.kept()[1]
    begin, end = true_runs(stay)
    return replace(
        part,
        stretches=tuple(
            (starts[a], starts[b - 1] + segments.frames)
            for a, b in zip(begin.tolist(), end.tolist(), strict=True)
        ),
        elsewhere_s=None if elsewhere is None else elsewhere / segments.rate_hz,
    )


def _elsewhere(lags: Lags, peaks: NDArray[np.float64], stay: NDArray[np.bool_]) -> int | None:
    """The lag of those before the stretches that stay, or of those behind them; else None."""
    told = np.flatnonzero(stay & (np.abs(peaks) >= AGREES))
    for side in (slice(told[0]), slice(told[-1] + 1, None)):
        agreed = at_one_delay(lags[side], peaks[side], least=_ELSEWHERE)
        if agreed is not None:
            return agreed[1]
    return None


def _laid_over(
    first: NDArray[np.float32],
    second: NDArray[np.float32],
    segments: Segments,
    plain: Pair,
    lag: int | None,
) -> tuple[Pair, NDArray[np.float64]]:
    """The pair at its best delay, from the stretches, (stretches, LENGTH) each.

    Returns:
        Also what is left of each stretch, dBFS.
    """
    shift = lag or 0
    length = LENGTH - 2 * (LENGTH // 8) if abs(shift) <= LENGTH // 8 else LENGTH // 2
    at = (LENGTH - length - abs(shift)) // 2 + max(-shift, 0)
    window = hann(length)
    band = band_of(segments, length)
    early = _spectra(first, at, window, 0.0)
    late = _spectra(second, at + shift, window, 0.0)
    fraction = 0.0
    if lag is not None:
        omega = 2 * np.pi / length * np.arange(band.start, band.stop)
        fraction = _fraction(early[:, band], late[:, band], omega)
        late = _spectra(second, at + shift, window, fraction)
    return _explained(early, late, segments, plain, window, lag, shift + fraction)


def _spectra(
    x: NDArray[np.floating[Any]], at: int, window: NDArray[np.float32], fraction: float
) -> Spectra:
    """Spectra of windows of ``x``, brought forward by a fraction of a sample."""
    if fraction:
        turns = np.exp(2j * np.pi * fraction * np.fft.rfftfreq(x.shape[1]))
        x = np.fft.irfft(np.fft.rfft(x, axis=1) * turns.astype(np.complex64), x.shape[1], axis=1)
    return np.asarray(np.fft.rfft(x[:, at : at + len(window)] * window, axis=1))


def _fraction(early: Spectra, late: Spectra, omega: NDArray[np.float64]) -> float:
    """By how many samples ``late`` is later, less than some; weighted slope of the phase."""
    cross = np.sum(early.conj() * late, axis=0, dtype=np.complex128)
    weight = np.abs(cross)
    if not weight.any():
        return 0.0
    cross *= np.sign(np.sum(cross.real)) or 1.0
    total = 0.0
    for _ in range(4):
        phase = np.angle(cross * np.exp(1j * omega * total))
        total -= float(np.sum(weight * omega * phase) / np.sum(weight * omega**2))
    return min(max(total, -1.0), 1.0)


def _explained(
    early: Spectra,
    late: Spectra,
    segments: Segments,
    plain: Pair,
    window: NDArray[np.float32],
    lag: int | None,
    delay: float,
) -> tuple[Pair, NDArray[np.float64]]:
    """Fit the first to the second band by band and tell what is left; spectra from zero up."""
    edges, stop = _edges(segments, len(window))
    low = int(edges[1])  # what lies below counts for the residual in dB only
    early, late = early[:, :stop], late[:, :stop]
    power = np.add.reduceat((np.abs(early) ** 2).sum(axis=0, dtype=np.float64), edges)
    cross = (early.conj() * late).sum(axis=0, dtype=np.complex128)
    band_cross = np.add.reduceat(cross, edges)
    fit = np.divide(band_cross, power, out=np.zeros_like(band_cross), where=power > 0)
    if lag is None:  # no turning of the phase: two tones of one generator are not one signal
        fit = fit.real + 0j
    gains = np.zeros(stop, np.complex64)
    gains[edges[0] :] = np.repeat(fit, np.diff(np.append(edges, stop)))
    to_mean_square = 2.0 / (len(window) * float(np.sum(window.astype(np.float64) ** 2)))
    cells = np.add.reduceat(np.abs(late - gains * early) ** 2, edges, axis=1) * to_mean_square
    whole = np.add.reduceat(np.abs(late) ** 2, edges, axis=1) * to_mean_square
    spoken = whole[:, 1:] > _NOTHING
    own = spoken & (cells[:, 1:] > 10 ** (_AGREES_DB / 10) * whole[:, 1:])
    levels = whole[:, 1:].sum(axis=1, dtype=np.float64)
    levels = levels[levels > _NOTHING]
    scale = math.sqrt(float(power[1:].sum() * whole[:, 1:].sum(dtype=np.float64) / to_mean_square))
    heard = float(cross[low:].real.sum()) / scale if scale > 0 else 0.0
    full = math.sqrt(float(power.sum() * whole.sum(dtype=np.float64) / to_mean_square))
    at_delay = float(cross[edges[0] :].real.sum()) / full if full > 0 else 0.0
    gain = float(cross[low:].real.sum() / power[1:].sum()) if power[1:].any() else 0.0
    left, total = float(cells.sum(dtype=np.float64)), float(whole.sum(dtype=np.float64))
    facts = replace(
        plain,
        heard_correlation=heard,
        residual_dbfs=_db(2 * float(cells[:, 1:].sum(dtype=np.float64)) / len(whole)),
        own_share=float(own.sum() / spoken.sum()) if spoken.any() else 1.0,
        quiet_dbfs=_db(2 * float(percentile(levels, 10))) if len(levels) else None,
    )
    residual_db = _db(left / total) if total > 0 else None
    with np.errstate(divide="ignore"):
        of_each = 10 * np.log10(2 * cells[:, 1:].sum(axis=1, dtype=np.float64))
    if lag is None:
        known = facts.residual_db is not None
        return facts if known else replace(facts, residual_db=residual_db), of_each
    facts = replace(
        facts,
        residual_db=residual_db,
        correlation=min(max(at_delay, -1.0), 1.0) if abs(delay) > _APART else plain.correlation,
        gain_db=20 * math.log10(abs(gain)) if gain else None,
        inverted=gain < 0,
        delay_s=delay / segments.rate_hz,
    )
    return facts, of_each


def _edges(segments: Segments, length: int) -> tuple[NDArray[np.int64], int]:
    """First bin of each band, the lowest from 20 Hz to the low limit; and the bin behind all."""
    step = segments.rate_hz / length
    band = band_of(segments, length)
    marks = segments.low_hz * (segments.high_hz / segments.low_hz) ** (np.arange(_BANDS) / _BANDS)
    bins = np.unique(np.clip(np.ceil(marks / step).astype(np.int64), band.start, band.stop - 1))
    lowest = min(max(3, math.ceil(20.0 / step)), band.start - 1)  # 3: clear of an offset
    return np.concatenate(([max(lowest, 0)], bins)), band.stop


def _db(power: float) -> float | None:
    return 10 * math.log10(power) if power > 0 else None
