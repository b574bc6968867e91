"""Raw audio whose word is longer than its samples: at which end of the word they stand."""

from __future__ import annotations

from dataclasses import replace

from checks.container._draft import Draft
from checks.container._evidence import right_justified
from checks.container._format import SampleFormat


def place_bits(draft: Draft, fmt: SampleFormat, start: int, length: int) -> None:
    """Settle the draft's format: as given, or right-justified where the samples show it."""
    draft.fmt = fmt
    if not right_justified(draft.window, start, length, fmt):
        return
    draft.fmt = replace(fmt, left_justified=False)
    bits = 8 * fmt.sample_bytes
    draft.add(
        "bad-chunk",
        f"The header speaks of {fmt.word_length} bits in words of {bits}, which belong at the top "
        "of the word, but the samples stand at the bottom of it: they are read from there, other "
        "programs will show the wrong level.",
        word_length=fmt.word_length,
        container_bits=bits,
    )
