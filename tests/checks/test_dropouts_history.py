"""What is kept of the last seconds, alone and for two at once."""

from __future__ import annotations

import numpy as np

from checks.block import BLOCK_FRAMES, Block, Workspace
from checks.dropouts._history import History
from checks.model import CaptureFormat

FMT = CaptureFormat(rate_hz=96_000, channels=2, word_length=24)


def test_one_copy_for_two_reads_as_one_for_each() -> None:
    """Where one process does both halves of the check, the report must be that of two."""
    blocks, work = 40, Workspace()
    x = np.arange(2 * blocks * BLOCK_FRAMES, dtype=np.int32).reshape(2, -1)
    lengths = (9 * BLOCK_FRAMES, 25 * BLOCK_FRAMES)
    apart = [History(frames=frames) for frames in lengths]
    whole = History()
    joined = [History(frames=frames, within=whole) for frames in lengths]
    for start in range(0, x.shape[1], BLOCK_FRAMES):
        piece = x[:, start : start + BLOCK_FRAMES]
        block = Block(piece, start=start, lead=0, fmt=FMT, work=work)
        for history in (*apart, whole, *joined):
            history.add(block)
        for alone, shared in zip(apart, joined, strict=True):
            assert (shared.start, shared.stop) == (alone.start, alone.stop)
            held = slice(shared.start, shared.stop)
            assert (shared.rows(0, shared.stop) == x[:, held]).all()
            assert (shared.view(1, 0, shared.stop) == x[1, held]).all()
            assert (shared.row(0, 0, shared.stop) == x[0, held]).all()
