"""What the benchmarks share: a clock, and the bare pass everything is held against."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from pathlib import Path


def timed(call: Callable[[], object]) -> float:
    """Seconds that a call takes."""
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def hashlib_pass(path: Path) -> None:
    """SHA-256 of a file as fast as Python has it."""
    digest = hashlib.sha256()
    buffer = bytearray(4 << 20)
    view = memoryview(buffer)
    with path.open("rb", buffering=0) as stream:
        while got := stream.readinto(buffer):
            digest.update(view[:got])
