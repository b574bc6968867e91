"""A small writer of PCM wave files: RIFF, or RF64 with its ds64 chunk (EBU Tech 3306).

Kept apart from whatever reads captures, so that neither can excuse the other's mistakes.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

_PCM_SUBFORMAT: Final = bytes.fromhex(
    "0100000000001000800000aa00389b71"
)  # KSDATAFORMAT_SUBTYPE_PCM
_PART_FRAMES: Final = 65_536


def write(
    path: Path,
    samples: NDArray[np.int32],
    rate_hz: int,
    *,
    word_length: int = 24,
    rf64: bool = False,
    claimed_frames: int | None = None,
) -> None:
    """Write a capture.

    Args:
        samples: int32, (tracks, frames), left-justified.
        word_length: 16, 24 or 32.
        claimed_frames: what the header says instead of the truth, as where the writer broke off.

    Raises:
        ValueError: another word length.
    """
    if word_length not in (16, 24, 32):
        raise ValueError(f"word length must be 16, 24 or 32, got {word_length}")
    tracks, frames = samples.shape
    width = word_length // 8
    claimed = (frames if claimed_frames is None else claimed_frames) * tracks * width
    with path.open("wb") as file:
        file.write(_header(tracks, rate_hz, word_length, claimed, rf64=rf64))
        for start in range(0, frames, _PART_FRAMES):
            part = np.ascontiguousarray(samples[:, start : start + _PART_FRAMES].T, "<i4")
            octets = part.view(np.uint8).reshape(-1, 4)[:, 4 - width :]
            file.write(octets.tobytes())
        if claimed_frames is None and frames * tracks * width % 2:
            file.write(b"\0")


def _header(tracks: int, rate_hz: int, word_length: int, data_bytes: int, *, rf64: bool) -> bytes:
    width = word_length // 8
    frame = tracks * width
    fmt = struct.pack("<HIIHH", tracks, rate_hz, rate_hz * frame, frame, 8 * width)
    if tracks > 2 or word_length > 16:  # multichannel or more than 16 bits: the extensible form
        fmt = struct.pack("<H", 0xFFFE) + fmt
        fmt += struct.pack("<HHI", 22, word_length, 0) + _PCM_SUBFORMAT
    else:
        fmt = struct.pack("<H", 1) + fmt
    chunks = b"fmt " + struct.pack("<I", len(fmt)) + fmt
    ds64_bytes = 8 + 28 if rf64 else 0
    riff_bytes = 4 + ds64_bytes + len(chunks) + 8 + data_bytes + data_bytes % 2
    if not rf64:
        head = b"RIFF" + struct.pack("<I", riff_bytes) + b"WAVE"
        return head + chunks + b"data" + struct.pack("<I", data_bytes)
    sizes = struct.pack("<QQQI", riff_bytes, data_bytes, data_bytes // frame, 0)
    head = b"RF64" + struct.pack("<I", 0xFFFFFFFF) + b"WAVE"
    head += b"ds64" + struct.pack("<I", len(sizes)) + sizes
    return head + chunks + b"data" + struct.pack("<I", 0xFFFFFFFF)
