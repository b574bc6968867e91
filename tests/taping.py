"""The tape part of the dropouts check by itself."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._tape import TapePart
from checks.model import CaptureFormat
from checks.sheet import Sheet


def taped(
    x: NDArray[Any], rate_hz: int, sheet: Sheet | None = None, *, word_length: int = 24
) -> PartOutcome:
    """What the tape part alone finds."""
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=len(x),
        word_length=word_length,
        floating=x.dtype.kind == "f",
    )
    part, work = TapePart(fmt, sheet or Sheet(), DropoutsLimits()), Workspace()
    for start in range(0, x.shape[1], BLOCK_FRAMES):
        lead = LEAD_FRAMES if start else 0
        view = x[:, start - lead : start + BLOCK_FRAMES]
        part.feed(Block(view, start=start, lead=lead, fmt=fmt, work=work))
    return part.finish()
