"""Damage done to files in place. A bit is flipped by xor, so that the byte always changes."""

from __future__ import annotations

from pathlib import Path


def flip(path: Path, at: int, bit: int = 0) -> None:
    """One bit of the byte at an offset."""
    with path.open("r+b") as file:
        file.seek(at)
        byte = file.read(1)[0]
        file.seek(at)
        file.write(bytes([byte ^ (1 << bit)]))


def patch(path: Path, at: int, data: bytes) -> None:
    """Other bytes at an offset."""
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)


def grow(path: Path, data: bytes) -> None:
    """Bytes appended."""
    with path.open("ab") as file:
        file.write(data)
