"""How crowded equal neighbours are around a run: by that chance is told from a fault."""

from __future__ import annotations

import numpy as np
import pytest

from checks.block import BLOCK_FRAMES, Block, Workspace
from checks.dropouts._runs import RunTracker
from checks.dropouts._zeros import by_chance
from checks.model import CaptureFormat


@pytest.mark.parametrize("side", [-1, 1, 0])
@pytest.mark.parametrize(("noisy", "chance"), [(True, True), (False, False)])
def test_a_run_in_a_short_rest_is_judged_by_the_rest(noisy: bool, chance: bool, side: int) -> None:
    """Coarse words hold still in a rest of some milliseconds, and not in the loud rest of a block.

    The run may lie anywhere in it.
    """
    rng = np.random.default_rng(2)
    x = rng.integers(-9_000, 9_000, BLOCK_FRAMES)
    rest = slice(8_000, 8_200)
    at = 8_091 + 90 * side
    if noisy:
        x[rest] = rng.standard_normal(200) > 1.0  # four of five are 0
    x[at : at + 18] = 0
    x[[at - 1, at + 18]] = 1
    fmt = CaptureFormat(rate_hz=48_000, channels=1, word_length=16)
    words = (x << 16).astype(np.int32)[np.newaxis]
    tracker = RunTracker(tracks=1, least=16, least_all=16)
    found = tracker.feed(Block(words, start=0, lead=0, fmt=fmt, work=Workspace()))
    (run,) = [run for run in found if run.row == 0 and run.start == at]
    assert run.length == 18
    assert (by_chance(run.crowd) > run.length) is chance
