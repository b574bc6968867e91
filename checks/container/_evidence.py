"""What the samples themselves say where a header leaves doubt, from a few evenly spread places.

Nothing here reads more than some hundred kilobytes, however long the file.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.container._draft import Window
from checks.container._format import SampleFormat
from checks.model import Encoding

_PLACES: Final = 16
_BYTES_EACH: Final = 16_384
_ENOUGH_FRAMES: Final = 32  # fewer say nothing about smoothness


def spread(window: Window, start: int, length: int, align: int) -> list[NDArray[np.uint8]]:
    """Whole frames from evenly spread places of the audio, as (frames, align) bytes each."""
    total = length // align
    each = max(1, min(total, _BYTES_EACH // align))
    places = 1 if total <= _PLACES * each else _PLACES
    if places == 1:
        each = min(total, max(each, _PLACES * _BYTES_EACH // align))
    found = []
    for number in range(places if total else 0):
        first = (total - each) * number // max(1, places - 1)
        piece = window.read(start + first * align, each * align)
        whole = len(piece) // align
        found.append(np.frombuffer(piece, np.uint8, whole * align).reshape(whole, align))
    return found


def stored_words(
    frames: NDArray[np.uint8], channels: int, width: int, *, big_endian: bool
) -> NDArray[np.int64]:
    """Stored words of ``width`` bytes as unsigned numbers, shape (frames, channels)."""
    cells = frames[:, : channels * width].reshape(len(frames), channels, width)
    if not big_endian:
        cells = cells[:, :, ::-1]
    words = np.zeros((len(frames), channels), np.int64)
    for column in range(min(width, 7)):  # seven bytes stay positive; PCM has at most four
        words = (words << 8) | cells[:, :, column]
    return words


def _signed(words: NDArray[np.int64], bits: int) -> NDArray[np.int64]:
    half = np.int64(1) << (bits - 1)
    return ((words ^ half) - half).astype(np.int64)


def right_justified(window: Window, start: int, length: int, fmt: SampleFormat) -> bool:
    """Whether PCM words hold their valid bits at the bottom instead of the top.

    True only where spare low bits move although the format wants them zero, no word seen needs
    more than the valid bits, and one of two things is the case: negative samples have their
    sign not extended, so that read from the top none would ever be negative; or a byte or more
    is spare, so that read from the top nothing would ever exceed -48 dBFS. Silence says False.
    """
    spare = fmt.spare_bits
    if fmt.encoding is not Encoding.PCM or not spare or not fmt.signed:
        return False
    low_bits_move = negative = False
    bare = extended = True
    half = 1 << (fmt.word_length - 1)
    for frames in spread(window, start, length, fmt.block_align):
        words = stored_words(frames, fmt.channels, fmt.sample_bytes, big_endian=fmt.big_endian)
        values = _signed(words, 8 * fmt.sample_bytes)
        low_bits_move = low_bits_move or bool((words & ((1 << spare) - 1)).any())
        bare = bare and bool((words < 2 * half).all())
        negative = negative or bool(((words >= half) & (words < 2 * half)).any())
        extended = extended and bool(((values >= -half) & (values < half)).all())
        if not bare and not extended:
            return False
    return low_bits_move and ((bare and negative) or (extended and spare >= 8))


def roughness(
    window: Window, start: int, length: int, fmt: SampleFormat, *, align: int, width: int
) -> float | None:
    """How much neighbouring frames differ, over how much they vary: 0 smooth, about 1.4 noise.

    Read with a wrong word or frame size, audio turns into noise. None: too little, or silence.
    """
    change = 0.0
    extent = 0.0
    count = 0
    for frames in spread(window, start, length, align):
        words = stored_words(frames, fmt.channels, width, big_endian=fmt.big_endian)
        values = _signed(words, 8 * min(width, 7)).astype(np.float64)
        if len(values) < 2:
            continue
        count += len(values)
        change += float(np.abs(np.diff(values, axis=0)).sum())
        extent += float(np.abs(values - np.median(values, axis=0)).sum())
    return change / extent if count >= _ENOUGH_FRAMES and extent > 0 else None


def sounds_like_audio(window: Window, start: int, length: int, fmt: SampleFormat) -> bool | None:
    """Whether raw bytes look like samples of this format rather than like foreign data.

    Text and compressed data fill the top byte of every word evenly or on one side of zero;
    programme keeps near zero, or moves smoothly. None: silence, or too little to tell.
    """
    if not fmt.raw or length < _ENOUGH_FRAMES * fmt.block_align:
        return None
    power = 0.0
    count = 0
    for frames in spread(window, start, length, fmt.block_align):
        values = _scaled(frames, fmt)
        mean = values.mean(axis=0)
        if np.abs(mean).max() > 0.25:  # letters read as samples all lie on one side
            return False
        values = values - mean
        power += float((values * values).sum())
        count += values.size
    if not count or power == 0.0:
        return None
    mean_square = power / count
    # Evenly filled words have a mean square of 1/3; a full-scale sine 1/2, but a smooth one.
    if mean_square < 0.1:
        return True
    rough = roughness(window, start, length, fmt, align=fmt.block_align, width=fmt.sample_bytes)
    return rough is not None and rough < 0.5 and mean_square < 2.0


def _scaled(frames: NDArray[np.uint8], fmt: SampleFormat) -> NDArray[np.float64]:
    if fmt.encoding is Encoding.FLOAT:
        order = ">" if fmt.big_endian else "<"
        flat = np.ascontiguousarray(frames).view(f"{order}f{fmt.sample_bytes}")
        with np.errstate(invalid="ignore", over="ignore"):
            values = np.clip(flat.astype(np.float64), -1e6, 1e6)
        return np.nan_to_num(values, nan=1e6)
    words = stored_words(frames, fmt.channels, fmt.sample_bytes, big_endian=fmt.big_endian)
    bits = 8 * fmt.sample_bytes if fmt.left_justified else fmt.word_length
    if not fmt.signed:
        words = words ^ (1 << (bits - 1))
    return _signed(words & ((1 << bits) - 1), bits) / float(1 << (bits - 1))
