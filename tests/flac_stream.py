"""A FLAC stream of thirty frames for the tests of damage, and where each frame begins."""

from __future__ import annotations

from typing import Any

from container_files import Held
from flac_files import frames_of, stream, streaminfo

from checks.container import Layout, parse

SIZE = 192


def parsed(data: bytes, **options: Any) -> Layout:
    return parse(Held(data), **options)


FRAMES = frames_of(30, last=50)
TOTAL = 29 * SIZE + 50
INFO = streaminfo(frames=TOTAL)
START = len(stream(INFO, []))
OFFSETS = [START + sum(map(len, FRAMES[:n])) for n in range(31)]
