"""The steps part of the dropouts check by itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace
from checks.dropouts import DropoutsLimits
from checks.dropouts._history import History
from checks.dropouts._steps import StepsPart
from checks.model import CaptureFormat, Finding
from checks.sheet import Sheet

Ints = NDArray[np.int32]


class Nothing:
    """No repeated block is known."""

    def covers(self, frame: int, tracks: tuple[int, ...]) -> bool:
        return False


def steps(x: Ints, rate_hz: int, sheet: Sheet | None = None) -> list[Finding]:
    """What the steps part alone finds."""
    fmt = CaptureFormat(rate_hz=rate_hz, channels=len(x), word_length=24)
    history = History(frames=16 * BLOCK_FRAMES)
    part = StepsPart(fmt, sheet or Sheet(), DropoutsLimits(), history, Nothing())
    work = Workspace()
    for start in range(0, x.shape[1], BLOCK_FRAMES):
        lead = min(LEAD_FRAMES, start)
        piece = x[:, start - lead : start + BLOCK_FRAMES]
        block = Block(piece, start=start, lead=lead, fmt=fmt, work=work)
        history.add(block)
        part.feed(block)
    return list(part.finish().findings)
