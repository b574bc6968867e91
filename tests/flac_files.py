"""FLAC streams made frame by frame, uncompressed, so that every byte of them is known.

Written after RFC 9639 with its own bitwise CRCs: an independent peer of the program's reader.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def crc(data: bytes, *, poly: int, bits: int) -> int:
    """A CRC of 8 or 16 bits, one bit at a time, initial value 0, not reflected."""
    top, mask, register = 1 << (bits - 1), (1 << bits) - 1, 0
    for byte in data:
        register ^= byte << (bits - 8)
        for _ in range(8):
            register = (register << 1 ^ (poly if register & top else 0)) & mask
    return register


def coded_number(number: int) -> bytes:
    """A frame or sample number, coded like UTF-8 in up to seven bytes."""
    if number < 0x80:
        return bytes([number])
    tail = []
    more = 1
    while number >= 1 << (6 * more + 6 - more):
        more += 1
    for _ in range(more):
        tail.append(0x80 | number & 0x3F)
        number >>= 6
    lead = (0xFF << (7 - more)) & 0xFF
    return bytes([lead | number, *reversed(tail)])


def header(
    number: int,
    block: int,
    *,
    channels: int = 1,
    variable: bool = False,
    bits_code: int = 4,
    rate_code: int = 0,
    rate: bytes = b"",
) -> bytes:
    """A frame header whose block size is written out in 16 bits."""
    raw = bytes([0xFF, 0xF9 if variable else 0xF8, 7 << 4 | rate_code])
    raw += bytes([(channels - 1) << 4 | bits_code << 1])
    raw += coded_number(number) + (block - 1).to_bytes(2, "big") + rate
    return raw + bytes([crc(raw, poly=0x07, bits=8)])


def frame(
    number: int,
    samples: NDArray[np.int16],
    *,
    variable: bool = False,
    head: bytes | None = None,
) -> bytes:
    """A frame of verbatim subframes; ``samples``: int16, shape (tracks, frames)."""
    start = header(number, samples.shape[1], channels=len(samples), variable=variable)
    body = start if head is None else head
    for track in samples:
        body += b"\x02" + track.astype(">i2").tobytes()
    return body + crc(body, poly=0x8005, bits=16).to_bytes(2, "big")


def streaminfo(
    *,
    frames: int,
    block: int = 192,
    least: int | None = None,
    channels: int = 1,
    bits: int = 16,
    rate: int = 44_100,
    md5: bytes = b"\x01" * 16,
) -> bytes:
    packed = rate << 44 | (channels - 1) << 41 | (bits - 1) << 36 | frames
    least = block if least is None else least
    raw = least.to_bytes(2, "big") + block.to_bytes(2, "big") + bytes(6)
    return raw + packed.to_bytes(8, "big") + md5


def block(kind: int, payload: bytes, *, last: bool = False, size: int | None = None) -> bytes:
    held = len(payload) if size is None else size
    return bytes([kind | (0x80 if last else 0)]) + held.to_bytes(3, "big") + payload


def stream(info: bytes, frames: Sequence[bytes]) -> bytes:
    return b"fLaC" + block(0, info, last=True) + b"".join(frames)


def noise(count: int, *, channels: int = 1, seed: int = 1) -> NDArray[np.int16]:
    random = np.random.default_rng(seed)
    return random.integers(-2000, 2000, (channels, count)).astype(np.int16)


def frames_of(
    count: int,
    *,
    size: int = 192,
    channels: int = 1,
    last: int | None = None,
    variable: bool = False,
) -> list[bytes]:
    """Frames of noise, all of one size but the last."""
    sizes = [size] * (count - 1) + [size if last is None else last]
    return [
        frame(
            size * n if variable else n, noise(held, channels=channels, seed=n), variable=variable
        )
        for n, held in enumerate(sizes)
    ]
