"""Faults planted in clean programme, each at a place known exactly.

The functions over samples take int32, (tracks, frames), left-justified, leave it as it is and
give a ``Planted`` with the damaged copy. ``tracks=None`` means all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Ints = NDArray[np.int32]
FULL: Final = 2.0**31


@dataclass(frozen=True, slots=True)
class Planted:
    """Damaged samples, and where the fault lies (tracks from 0)."""

    samples: Ints
    start: int
    frames: int
    tracks: tuple[int, ...]


def all_tracks(x: Ints, tracks: Sequence[int] | None) -> tuple[int, ...]:
    return tuple(range(len(x))) if tracks is None else tuple(tracks)


def words(x: NDArray[np.floating], like: Ints) -> Ints:
    """Floats in int32 units, rounded to the word length that ``like`` has, clipped, as int32."""
    used = int(np.bitwise_or.reduce(like, axis=None)) if like.size else -1
    step = float(used & -used) if used else 256.0
    top = FULL - step
    return np.clip(np.rint(np.asarray(x, np.float64) / step) * step, -FULL, top).astype(np.int32)


# -- digital faults ------------------------------------------------------------------------------


def zero_run(x: Ints, *, at: int, frames: int, tracks: Sequence[int] | None = None) -> Planted:
    """Exact zeros."""
    out = x.copy()
    out[list(all_tracks(x, tracks)), at : at + frames] = 0
    return Planted(out, at, frames, all_tracks(x, tracks))


def mute_ramp(
    x: Ints, *, at: int, frames: int, ramp: int, tracks: Sequence[int] | None = None
) -> Planted:
    """A converter's mute: down over ``ramp`` frames, ``frames`` zeros from ``at`` on, up again."""
    out = x.copy()
    down = np.linspace(1, 0, ramp + 2)[1:-1]
    for k in all_tracks(x, tracks):
        for part, gain in (
            (slice(at - ramp, at), down),
            (slice(at + frames, at + frames + ramp), down[::-1]),
        ):
            out[k, part] = words(out[k, part] * gain, x[k])
        out[k, at : at + frames] = 0
    return Planted(out, at, frames, all_tracks(x, tracks))


def hold(x: Ints, *, at: int, frames: int, tracks: Sequence[int] | None = None) -> Planted:
    """The last good value stands for ``frames`` frames."""
    out = x.copy()
    which = list(all_tracks(x, tracks))
    out[which, at : at + frames] = out[which, at - 1 : at]
    return Planted(out, at, frames, tuple(which))


def hold_each(
    x: Ints, *, at: int, frames: int, each: int, tracks: Sequence[int] | None = None
) -> Planted:
    """Over a stretch only every so many-th word comes, and stands until the next."""
    out = x.copy()
    which = list(all_tracks(x, tracks))
    kept = np.arange(frames) // each * each
    out[which, at : at + frames] = out[which, at : at + frames][:, kept]
    return Planted(out, at, frames, tuple(which))


def repeat_block(
    x: Ints,
    *,
    at: int,
    frames: int,
    lag: int,
    tracks: Sequence[int] | None = None,
    inserted: bool = False,
) -> Planted:
    """What stood ``lag`` frames earlier stands again at ``at``, over what was there or before it.

    With ``inserted`` the capture keeps its length: what follows moves back and the end is cut.
    """
    out = x.copy()
    for k in all_tracks(x, tracks):
        again = np.resize(x[k, at - lag : at - lag + min(frames, lag)], frames)
        if inserted:
            out[k, at + frames :] = x[k, at : x.shape[1] - frames]
        out[k, at : at + frames] = again
    return Planted(out, at, frames, all_tracks(x, tracks))


def lose(x: Ints, *, at: int, frames: int, tracks: Sequence[int] | None = None) -> Planted:
    """``frames`` frames are missing from ``at`` on; the result is that much shorter."""
    keep = x.shape[1] - frames
    out = x[:, :keep].copy()
    for k in all_tracks(x, tracks):
        out[k, at:] = x[k, at + frames :]
    return Planted(out, at, 1, all_tracks(x, tracks))


def insert(
    x: Ints,
    *,
    at: int,
    frames: int,
    tracks: Sequence[int] | None = None,
    seed: int | None = None,
) -> Planted:
    """Foreign frames stand before ``at``: zeros, or noise from a seed; the end is cut."""
    out = x.copy()
    for k in all_tracks(x, tracks):
        out[k, at + frames :] = x[k, at : x.shape[1] - frames]
        if seed is None:
            out[k, at : at + frames] = 0
        else:
            rng = np.random.default_rng([seed, k])
            near = x[k, max(at - 4096, 0) : at].astype(np.float64)
            loud = rng.standard_normal(frames) * near.std()
            out[k, at : at + frames] = words(loud, x[k])
    return Planted(out, at, frames, all_tracks(x, tracks))


def swap_tracks(x: Ints, *, at: int, a: int, b: int, frames: int | None = None) -> Planted:
    """Two tracks exchanged from ``at`` on, for good or for ``frames`` frames."""
    out = x.copy()
    stop = x.shape[1] if frames is None else at + frames
    out[a, at:stop], out[b, at:stop] = x[b, at:stop], x[a, at:stop]
    return Planted(out, at, stop - at, (a, b))


def rotate_tracks(x: Ints, *, at: int, by: int = 1) -> Planted:
    """All tracks moved on by some, as after a slipped word in a multichannel stream."""
    out = x.copy()
    out[:, at:] = np.roll(x[:, at:], by, axis=0)
    return Planted(out, at, x.shape[1] - at, all_tracks(x, None))


def wrong_word(x: Ints, *, at: int, track: int, bit: int) -> Planted:
    """One bit of one sample flipped; bit 31 is the sign."""
    out = x.copy()
    out[track, at] ^= np.array(1 << bit, np.uint32).view(np.int32)
    return Planted(out, at, 1, (track,))


def spike(x: Ints, *, at: int, track: int, dbfs: float) -> Planted:
    """A value of that peak level added to one sample, towards zero where it would not fit."""
    out = x.copy()
    size = FULL * 10 ** (dbfs / 20)
    new = float(x[track, at]) + (size if x[track, at] < 0 else -size)
    out[track, at] = words(np.array([new]), x[track])[0]
    return Planted(out, at, 1, (track,))


def stuck_bit(x: Ints, *, track: int, bit: int, high: bool) -> Planted:
    """One bit of the word never moves on a track."""
    out = x.copy()
    mask = np.array(1 << bit, np.uint32).view(np.int32)
    out[track] = out[track] | mask if high else out[track] & ~mask
    return Planted(out, 0, x.shape[1], (track,))


def tied_bits(x: Ints, *, track: int, low: int, high: int, at: int = 0) -> Planted:
    """From a frame on one bit of the word (0 is the lowest of 32) follows another on a track."""
    out = x.copy()
    row = out[track, at:]
    follows = (row >> high & 1) << low
    out[track, at:] = row & ~np.int32(1 << low) | follows
    return Planted(out, at, x.shape[1] - at, (track,))


def fewer_bits(x: Ints, *, bits: int, tracks: Sequence[int] | None = None) -> Planted:
    """Words cut down to ``bits`` bits."""
    out = x.copy()
    out[list(all_tracks(x, tracks))] &= np.int32(-1 << (32 - bits))
    return Planted(out, 0, x.shape[1], all_tracks(x, tracks))


# -- levels --------------------------------------------------------------------------------------


def clip_hard(
    x: Ints,
    *,
    dbfs: float,
    style: str = "exact",
    tracks: Sequence[int] | None = None,
    at: int = 0,
    frames: int | None = None,
    seed: int = 0,
) -> Planted:
    """Tops cut at a peak level.

    Args:
        style: ``exact``; ``noisy`` (converter noise of -100 dBFS on the tops); ``tilted`` (tops
            that droop, as behind a coupling capacitor of 20 ms); ``asymmetric`` (positive only).
    """
    out = x.copy()
    top = FULL * 10 ** (dbfs / 20)
    span = slice(at, x.shape[1] if frames is None else at + frames)
    rng = np.random.default_rng(seed)
    for k in all_tracks(x, tracks):
        row = x[k, span].astype(np.float64)
        low = -FULL if style == "asymmetric" else -top
        row = np.clip(row, low, min(top, FULL - 256))
        if style == "noisy":
            row += rng.standard_normal(len(row)) * FULL * 10 ** (-103 / 20)
        elif style == "tilted":
            row = _coupled(row, 7_000)
        out[k, span] = words(row, x[k])
    return Planted(out, at, (span.stop or 0) - at, all_tracks(x, tracks))


def _coupled(row: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    """A first-order high-pass with a time constant in frames (by FFT, so on the whole stretch)."""
    size = 1 << (2 * len(row) - 1).bit_length()
    w = 2 * np.pi * np.fft.rfftfreq(size)
    response = 1j * w * frames / (1 + 1j * w * frames)
    return np.asarray(np.fft.irfft(np.fft.rfft(row, size) * response, size)[: len(row)])


def wrap(
    x: Ints, *, gain_db: float, tracks: Sequence[int] | None = None, bits: int = 24
) -> Planted:
    """Louder than the word can hold, wrapping round instead of clipping."""
    out = x.copy()
    for k in all_tracks(x, tracks):
        wide = np.rint(x[k].astype(np.float64) * 10 ** (gain_db / 20) / 2 ** (32 - bits))
        wide = wide.astype(np.int64) << (32 - bits)
        out[k] = wide.astype(np.uint64).astype(np.uint32).view(np.int32)
    return Planted(out, 0, x.shape[1], all_tracks(x, tracks))


def level_dip(
    x: Ints, *, at: int, frames: int, db: float, tracks: Sequence[int] | None = None
) -> Planted:
    """A dip of the whole level, all frequencies alike, with a raised-cosine shape."""
    out = x.copy()
    shape = np.sin(np.linspace(0, np.pi, frames)) ** 2
    for k in all_tracks(x, tracks):
        part = out[k, at : at + frames]
        out[k, at : at + frames] = words(part * 10 ** (-db * shape / 20), x[k])
    return Planted(out, at, frames, all_tracks(x, tracks))


def dc(x: Ints, *, track: int, percent: float) -> Planted:
    """A constant added, in percent of full scale."""
    out = x.copy()
    out[track] = words(x[track] + FULL * percent / 100, x[track])
    return Planted(out, 0, x.shape[1], (track,))


def hum(
    x: Ints, *, rate_hz: int, track: int, hz: float, dbfs: float, harmonics: int = 5
) -> Planted:
    """Mains hum with harmonics that fall by 4 dB each; ``dbfs``: AES17 level of the fundamental."""
    out = x.copy()
    t = np.arange(x.shape[1]) / rate_hz
    total = x[track].astype(np.float64)
    for n in range(1, harmonics + 1):
        total += FULL * 10 ** ((dbfs - 4 * (n - 1)) / 20) * np.sin(2 * np.pi * hz * n * t + n)
    out[track] = words(total, x[track])
    return Planted(out, 0, x.shape[1], (track,))


# -- tracks against each other -------------------------------------------------------------------


def copy_track(
    x: Ints, *, source: int, target: int, at: int = 0, frames: int | None = None
) -> Planted:
    """Bit for bit the same on two tracks, throughout or over a stretch."""
    out = x.copy()
    stop = x.shape[1] if frames is None else at + frames
    out[target, at:stop] = x[source, at:stop]
    return Planted(out, at, stop - at, (source, target))


def gain_copy(
    x: Ints,
    *,
    source: int,
    target: int,
    gain_db: float,
    inverted: bool = False,
    delay: int = 0,
    own_noise_dbfs: float | None = -110.0,
    seed: int = 0,
) -> Planted:
    """The same signal at another gain, polarity or time, with a converter noise of its own."""
    out = x.copy()
    gain = 10 ** (gain_db / 20) * (-1 if inverted else 1)
    row = np.roll(x[source], delay).astype(np.float64) * gain
    if own_noise_dbfs is not None:
        rng = np.random.default_rng(seed)
        row += rng.standard_normal(len(row)) * FULL * 10 ** ((own_noise_dbfs - 3.01) / 20)
    row[: max(delay, 0)] = x[target, : max(delay, 0)]
    out[target] = words(row, x[target])
    return Planted(out, 0, x.shape[1], (source, target))


# -- the whole capture ---------------------------------------------------------------------------


def upsample(x: Ints, *, rate_hz: int, half_rate_hz: float, share: float = 0.91) -> Planted:
    """As if brought up from a lower rate: nothing above its half, a steep filter below it.

    ``share``: where the filter begins, as a share of ``half_rate_hz``. Rounded with a triangular
    dither of two steps, as a good rate changer does.
    """
    out = np.empty_like(x)
    size = fft.next_fast_len(x.shape[1], real=True)
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    part = np.clip((f / half_rate_hz - share) / (1 - share), 0, 1)
    gain = np.cos(part * np.pi / 2) ** 2
    rng = np.random.default_rng(0)
    for k, row in enumerate(x):
        used = int(np.bitwise_or.reduce(row)) or 256
        step = used & -used
        low = fft.irfft(fft.rfft(row.astype(np.float64), size) * gain, size)[: x.shape[1]]
        out[k] = words(low + step * (rng.random(len(low)) - rng.random(len(low))), row)
    return Planted(out, 0, x.shape[1], all_tracks(x, None))
