"""Are two tracks one signal? Gain, polarity, delay, and what is left when it is taken away.

Over the stretches that ``_segments`` kept:

1. Delay by generalised cross-correlation with phase transform (C. H. Knapp and G. C. Carter,
   IEEE Trans. ASSP-24, 1976) of every pair: cross spectra of unit magnitude, summed over the
   stretches. Its peak is the share of the bins, 1 kHz to 17-20 kHz, that agree on one delay.
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
from checks.tracks._segments import LENGTH, Segments

_PEAK: Final = 0.25  # share of agreeing bins from which a delay is taken for found; chance: 0.03
_UNHEARD_DBFS: Final = -150.0  # a bin below holds converter noise or the foot of a line
_LOOKED_AT: Final = 128  # pairs laid over one another, the likeliest first
_BANDS: Final = 12
_AGREES_DB: Final = -10.0  # own choice: a cell further down than this holds no hiss of its own
_APART: Final = 1e-3  # samples; closer than that the whole capture tells more than a share of it
_NOTHING: Final = 1e-14  # mean square of a cell that says nothing: -137 dBFS

Spectra = NDArray[np.complexfloating[Any, Any]]


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
    found = _delays(x, segments, search_s) if len(x) else {}
    tracks = len(covariance)
    likely: list[tuple[float, tuple[int, int]]] = []
    for a in range(tracks):
        for b in range(a + 1, tracks):
            peak = found.get((a, b), (0, 0.0))[1]
            weight = max(abs(float(plain[a, b])), abs(peak) if abs(peak) >= _PEAK else 0.0)
            if (a, b) not in left_out and weight >= min(least_correlation, 0.99):
                likely.append((weight, (a, b)))
    likely.sort(key=lambda entry: (-entry[0], entry[1]))
    pairs = []
    for n, (_, (a, b)) in enumerate(likely):
        lag, peak = found.get((a, b), (0, 0.0))
        pair = _plain_pair(a, b, covariance, float(plain[a, b]), abs(peak))
        if n < _LOOKED_AT and len(x):
            pair = _laid_over(x[:, a], x[:, b], segments, pair, lag if abs(peak) >= _PEAK else None)
        pairs.append(pair)
    return pairs


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


def _band(segments: Segments, length: int) -> slice:
    """The bins of a transform of that length that the low-pass let through."""
    step = segments.rate_hz / length
    return slice(max(1, math.ceil(segments.low_hz / step)), int(segments.high_hz / step) + 1)


def _hann(length: int) -> NDArray[np.float32]:
    n = np.arange(length)
    return (0.5 - 0.5 * np.cos(2 * np.pi * n / length)).astype(np.float32)


def _delays(
    x: NDArray[np.float32], segments: Segments, search_s: float
) -> dict[tuple[int, int], tuple[int, float]]:
    """Lag in samples (second later: positive) and signed peak of every pair of tracks."""
    stretches, tracks, _ = x.shape
    band = _band(segments, LENGTH)
    bins = band.stop - band.start
    if bins < 8:
        return {}
    window = _hann(LENGTH)
    units = np.zeros((tracks, stretches, bins), np.complex64)
    # Amplitude of a line in a Hann spectrum is 2 |X| / sum of the window.
    least = 10 ** (_UNHEARD_DBFS / 20) * float(window.sum()) / 2
    for track in range(tracks):
        spectra = np.fft.rfft(x[:, track] * window, axis=1)[:, band]
        size = np.abs(spectra)
        np.divide(spectra, size, out=units[track], where=size > least)
    speaks = np.array([[bool(x[s, t].any()) for s in range(stretches)] for t in range(tracks)])
    reach = min(round(search_s * segments.rate_hz), LENGTH // 3)
    found: dict[tuple[int, int], tuple[int, float]] = {}
    full = np.zeros((max(tracks - 1, 1), LENGTH // 2 + 1), np.complex64)
    for a in range(tracks - 1):
        others = units[a + 1 :]
        # conj(first) * second: a second that is later has its peak at a positive lag
        sums = full[: len(others)]
        sums[:, band] = np.einsum("sk,tsk->tk", units[a].conj(), others)
        both = (speaks[a] & speaks[a + 1 :]).sum(axis=1)
        lines = np.fft.irfft(sums, LENGTH, axis=1)
        near = np.concatenate((lines[:, -reach:], lines[:, : reach + 1]), axis=1)
        best = np.argmax(np.abs(near), axis=1)
        tops = near[np.arange(len(near)), best] * (LENGTH / 2 / bins) / np.maximum(both, 1)
        for b, lag, top in zip(range(a + 1, tracks), best - reach, tops, strict=True):
            found[a, b] = (int(lag), float(top))
    return found


def _laid_over(
    first: NDArray[np.float32],
    second: NDArray[np.float32],
    segments: Segments,
    plain: Pair,
    lag: int | None,
) -> Pair:
    """The pair at its best delay, from the stretches, (stretches, LENGTH) each."""
    shift = lag or 0
    length = LENGTH - 2 * (LENGTH // 8) if abs(shift) <= LENGTH // 8 else LENGTH // 2
    at = (LENGTH - length - abs(shift)) // 2 + max(-shift, 0)
    window = _hann(length)
    band = _band(segments, length)
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
) -> Pair:
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
    if lag is None:
        return facts if facts.residual_db is not None else replace(facts, residual_db=residual_db)
    return replace(
        facts,
        residual_db=residual_db,
        correlation=min(max(at_delay, -1.0), 1.0) if abs(delay) > _APART else plain.correlation,
        gain_db=20 * math.log10(abs(gain)) if gain else None,
        inverted=gain < 0,
        delay_s=delay / segments.rate_hz,
    )


def _edges(segments: Segments, length: int) -> tuple[NDArray[np.int64], int]:
    """First bin of each band, the lowest from 20 Hz to the low limit; and the bin behind all."""
    step = segments.rate_hz / length
    band = _band(segments, length)
    marks = segments.low_hz * (segments.high_hz / segments.low_hz) ** (np.arange(_BANDS) / _BANDS)
    bins = np.unique(np.clip(np.ceil(marks / step).astype(np.int64), band.start, band.stop - 1))
    lowest = min(max(3, math.ceil(20.0 / step)), band.start - 1)  # 3: clear of an offset
    return np.concatenate(([max(lowest, 0)], bins)), band.stop


def _db(power: float) -> float | None:
    return 10 * math.log10(power) if power > 0 else None
