"""Faults of tape and head planted in clean programme; see ``damage`` for the conventions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from damage import FULL, Ints, Planted, all_tracks, words, zero_run
from numpy.typing import NDArray

from sample_captures.noise import amplifier_curve, noise


def contact_loss(
    x: Ints,
    *,
    rate_hz: int,
    at: int,
    frames: int,
    distance_um: float,
    speed_cm_s: float = 38.1,
    tracks: Sequence[int] | None = None,
    floor_dbfs: float = -74.0,
    seed: int = 0,
) -> Planted:
    """The tape lifts from the head: 54.6 dB x distance / wavelength, up and down over the length.

    The amplifier's noise stays at ``floor_dbfs`` (the caller knows what the programme has).
    The 54.6 dB law: reference texts on magnetic recording (spacing loss, 20 log10 e^(2 pi)).
    """
    out = x.copy()
    shape = np.sin(np.linspace(0, np.pi, frames)) ** 0.7 * distance_um
    for k in all_tracks(x, tracks):
        out[k, at : at + frames] = _lifted(
            x[k], rate_hz, at, frames, shape, speed_cm_s, floor_dbfs, seed + k
        )
    return Planted(out, at, frames, all_tracks(x, tracks))


def clog(
    x: Ints,
    *,
    rate_hz: int,
    at: int,
    ramp: int,
    distance_um: float,
    speed_cm_s: float = 38.1,
    tracks: Sequence[int] | None = None,
    floor_dbfs: float = -74.0,
    seed: int = 0,
) -> Planted:
    """Dirt on the head from ``at`` to the end: full distance after ``ramp`` frames."""
    out = x.copy()
    frames = x.shape[1] - at
    shape = np.clip(np.arange(frames) / max(ramp, 1), 0, 1) * distance_um
    for k in all_tracks(x, tracks):
        out[k, at:] = _lifted(x[k], rate_hz, at, frames, shape, speed_cm_s, floor_dbfs, seed + k)
    return Planted(out, at, frames, all_tracks(x, tracks))


def _lifted(
    row: Ints,
    rate_hz: int,
    at: int,
    frames: int,
    distance_um: NDArray[np.float64],
    speed_cm_s: float,
    floor_dbfs: float,
    seed: int,
) -> Ints:
    """One stretch behind a gap that varies: between filters at nine distances, interpolated."""
    margin = 8192
    first, last = max(at - margin, 0), min(at + frames + margin, len(row))
    piece = row[first:last].astype(np.float64) / FULL
    size = 1 << (len(piece) + margin).bit_length()
    spectrum = np.fft.rfft(piece, size)
    wavelength_um = speed_cm_s * 1e4 / np.maximum(np.fft.rfftfreq(size, 1 / rate_hz), 1e-3)
    grid = np.linspace(0, max(float(distance_um.max()), 1e-9), 9)
    place = distance_um / grid[1]
    out = np.zeros(frames)
    for step, d in enumerate(grid):
        weight = np.clip(1 - np.abs(place - step), 0, 1)
        if not weight.any():
            continue
        lifted = np.fft.irfft(spectrum * 10 ** (-54.6 * d / wavelength_um / 20), size)
        out += weight * lifted[at - first : at - first + frames]
    rng = np.random.default_rng(seed)
    amplifier = noise(rng, frames, rate_hz, amplifier_curve, floor_dbfs)
    depth = np.clip(distance_um / 5.0, 0, 1)  # the floor only counts where the tape is gone
    return words((out + amplifier * depth) * FULL, row)


def signal_lost(
    x: Ints,
    *,
    rate_hz: int,
    at: int,
    tracks: Sequence[int],
    floor_dbfs: float = -74.0,
    seed: int = 0,
) -> Planted:
    """From ``at`` on only the amplifier is heard, though the tape runs on."""
    out = x.copy()
    for k in tracks:
        rng = np.random.default_rng([seed, k])
        floor = noise(rng, x.shape[1] - at, rate_hz, amplifier_curve, floor_dbfs)
        out[k, at:] = words(floor * FULL, x[k])
    return Planted(out, at, x.shape[1] - at, tuple(tracks))


def silent_track(
    x: Ints, *, rate_hz: int, track: int, floor_dbfs: float | None, seed: int = 0
) -> Planted:
    """Digital zero (``None``) or bare electronics on a track, throughout."""
    if floor_dbfs is None:
        return zero_run(x, at=0, frames=x.shape[1], tracks=(track,))
    return signal_lost(x, rate_hz=rate_hz, at=0, tracks=(track,), floor_dbfs=floor_dbfs, seed=seed)
