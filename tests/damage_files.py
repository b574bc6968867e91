"""Damage done to files in place. Bits are flipped by xor, so that a byte always changes."""

from __future__ import annotations

from pathlib import Path


def patch(path: Path, offset: int, data: bytes) -> None:
    """Other bytes at an offset; negative: from the end."""
    with path.open("r+b") as file:
        file.seek(offset, 0 if offset >= 0 else 2)
        file.write(data)


def flip_bits(path: Path, offset: int, mask: int = 0x01, count: int = 1) -> None:
    """Bits of ``count`` bytes xor-ed, so that each of them changes (``mask`` is not 0)."""
    if not 0 < mask < 256:
        raise ValueError(f"mask must be 1 to 255, got {mask}")
    with path.open("r+b") as file:
        file.seek(offset)
        old = file.read(count)
        if len(old) != count:
            raise ValueError(f"{path}: no {count} bytes at {offset}")
        file.seek(offset)
        file.write(bytes(b ^ mask for b in old))


def cut(path: Path, size: int) -> None:
    """Cut to ``size`` bytes; negative: that many bytes off the end."""
    with path.open("r+b") as file:
        file.truncate(size if size >= 0 else path.stat().st_size + size)


def grow(path: Path, data: bytes) -> None:
    """Bytes appended."""
    with path.open("ab") as file:
        file.write(data)


def zero_header(path: Path, count: int = 44) -> None:
    """The first bytes overwritten with zeros."""
    patch(path, 0, bytes(count))


def zero_tail(path: Path, count: int) -> None:
    """The last bytes overwritten with zeros, as a preallocated file that was never filled."""
    patch(path, -count, bytes(count))


def reorder(path: Path, a: int, b: int, size: int) -> None:
    """Two stretches of equal length exchanged: same bytes, other places."""
    with path.open("r+b") as file:
        file.seek(a)
        first = file.read(size)
        file.seek(b)
        second = file.read(size)
        file.seek(a)
        file.write(second)
        file.seek(b)
        file.write(first)
