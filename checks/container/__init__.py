"""Containers, parsed by us: where the audio lies, what the header claims, what is really there.

Every container is walked chunk by chunk over a random-access source of bytes; no library is asked,
since decoding libraries repair or cut a file without a word. Every disagreement between header and
bytes becomes a finding, and where the audio is there though the header is wrong, the layout still
points at it.

What it does not prove: that the bytes of the audio are those that were recorded (only digests and
FLAC's own sums speak of that), and that a recording whose sizes were never written had reached its
end.
"""

from checks.container._layout import (
    ByteSource,
    Chunk,
    ContainerLimits,
    Layout,
    measures,
)
from checks.container._parse import parse

__all__ = [
    "ByteSource",
    "Chunk",
    "ContainerLimits",
    "Layout",
    "measures",
    "parse",
]
