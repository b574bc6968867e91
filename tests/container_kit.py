"""What the tests of containers share: a plain file, its audio, and findings told shortly."""

from __future__ import annotations

from container_files import chunk, fmt, frames24, riff

from checks.container import Layout
from checks.model import Finding

AUDIO = frames24(1000)  # 6,000 bytes: 1,000 frames of 2 tracks of 24 bits


def plain(*, data_size: int | None = None, size: int | None = None, audio: bytes = AUDIO) -> bytes:
    return riff([fmt(), chunk(b"data", audio, size=data_size)], size=size)


def kinds(layout: Layout) -> list[tuple[str, str, str]]:
    return [(f.kind, str(f.verdict), str(f.remedy)) for f in layout.findings]


def only(layout: Layout, kind: str) -> Finding:
    """The one finding, of that kind."""
    assert [f.kind for f in layout.findings] == [kind]
    return layout.findings[0]
