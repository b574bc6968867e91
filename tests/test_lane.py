"""The checks beside the reading find what they find alone, and a fault costs one check."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from synth import programme

from checks.block import BLOCK_FRAMES, Block
from checks.model import CaptureFormat, Outcome
from checks.registry import CHECKS, Check, Context
from checks.sample_pass import SamplePass
from watcher.lane import Lane

RATE_HZ = 96_000


def _damaged() -> Any:
    x = programme("drums", rate_hz=RATE_HZ, tracks=3, seconds=6.0, seed=5).copy()
    x[1, 200_000:200_040] = 0
    x[0, 300_000] ^= np.int32(1 << 30)
    x = np.delete(x, slice(400_000, 400_900), axis=1)
    x[:, 480_000:480_256] = x[:, 470_000:470_256]
    return x


def _through_the_lane(x: Any, checks: Any, fmt: CaptureFormat) -> dict[str, Outcome]:
    with Lane(Context(fmt=fmt), x.dtype, checks) as lane:
        for start in range(0, x.shape[1], BLOCK_FRAMES):
            part = x[:, start : start + BLOCK_FRAMES]
            lane.buffer()[:, : part.shape[1]] = part
            lane.feed(part.shape[1])
        return lane.finish()


def _fmt(x: Any) -> CaptureFormat:
    return CaptureFormat(
        rate_hz=RATE_HZ, channels=len(x), word_length=24, frames=x.shape[1], container_bits=24
    )


def test_the_lane_finds_what_the_pass_finds_alone() -> None:
    x = _damaged()
    alone = SamplePass(Context(fmt=_fmt(x)))
    alone.feed(x)
    expected = alone.finish()
    assert {f.kind for f in expected["dropouts"].findings} >= {"zero-run", "step"}
    assert _through_the_lane(x, CHECKS, _fmt(x)) == expected


@pytest.mark.parametrize("fails", ["feed", "finish"])
def test_a_check_that_raises_is_out_and_the_others_finish(fails: str) -> None:
    class Broken:
        def __init__(self) -> None:
            self.blocks = 0

        def _count(self, where: str) -> None:
            self.blocks += 1
            if where == fails and self.blocks > 4:
                raise ValueError("broken on purpose")

        def feed(self, block: Block) -> None:
            self._count("feed")

        def finish(self) -> Outcome:
            self._count("finish")
            return Outcome()

    x = _damaged()
    broken = Check("dropouts", lambda context: Broken())
    checks = [broken if check.name == "dropouts" else check for check in CHECKS]
    alone = SamplePass(Context(fmt=_fmt(x)), [c for c in CHECKS if c.name != "dropouts"])
    alone.feed(x)
    found = _through_the_lane(x, checks, _fmt(x))
    assert [f.kind for f in found.pop("dropouts").findings] == ["not-run"]
    assert found == alone.finish()


@pytest.mark.parametrize(("dtype", "size"), [(np.float32, 1e30), (np.float64, 1e300)])
def test_stored_values_of_any_size_stop_no_check_and_warn_nobody(dtype: Any, size: float) -> None:
    rng = np.random.default_rng(7)
    x = (0.1 * rng.standard_normal((2, 5 * BLOCK_FRAMES))).astype(dtype)
    x[0, 20_000:20_400] *= dtype(size)
    x[1, 50_000::3_000] = dtype(size)
    fmt = CaptureFormat(rate_hz=RATE_HZ, channels=2, word_length=32, floating=True)
    found = _through_the_lane(x, CHECKS, fmt)
    kinds = {f.kind for outcome in found.values() for f in outcome.findings}
    assert "not-run" not in kinds
    assert "over-range" in kinds
