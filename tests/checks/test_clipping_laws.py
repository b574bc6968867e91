"""What never changes the outcome of the clipping check, and captures that are no captures."""

from __future__ import annotations

from typing import Any

import damage
import numpy as np
import pytest
from clipping_kit import asking, check, lines, only, programme, words
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES
from checks.model import Outcome


def mixed(seed: int) -> NDArray[np.int32]:
    """Four tracks: clipped, cut below full scale, wrapped, and as it should be; 2.2 blocks."""
    rng = np.random.default_rng(seed)
    frames = 36_000
    rows = np.stack([programme(seed + k, 96_000, 0.375)[:frames] for k in range(4)])
    rows += 1e-5 * rng.standard_normal(rows.shape)
    x = words(rows * [[1.5], [0.7], [0.7], [0.7]])
    x[1] = words(np.clip(rows[1], -0.3, 0.35))[0]
    x[2] = damage.wrap(words(0.9 * rows[2:3]), gain_db=3).samples[0]
    return x


@settings(deadline=None, max_examples=8)
@given(st.integers(0, 5), st.lists(st.integers(0, 36_000), max_size=5))
def test_cuts_change_nothing(seed: int, cuts: list[int]) -> None:
    x = mixed(seed)
    assert check(x, 96_000, cuts=cuts) == check(x, 96_000)


def by_track(outcome: Outcome) -> dict[int, Any]:
    return {line.track: (line.sample_peak_dbfs, line.true_peak_dbtp, line.full_scale_runs,
                         line.longest_run, line.flat_tops, line.flat_top_dbfs)
            for line in lines(outcome)}  # fmt: skip


def test_the_order_of_tracks_does_not_matter() -> None:
    x = mixed(0)
    assert {k for k, *_ in asking(check(x, 96_000))} == {"full-scale", "flat-top", "wrap"}
    order = [2, 0, 3, 1]
    straight, turned = by_track(check(x, 96_000)), by_track(check(x[order], 96_000))
    assert turned == {new + 1: straight[old + 1] for new, old in enumerate(order)}


def test_polarity_does_not_matter() -> None:
    x = np.maximum(mixed(0), -(2**31) + 256)
    straight, turned = check(x, 96_000), check(-x, 96_000)
    assert by_track(straight) == by_track(turned)
    assert asking(straight) == asking(turned)


def test_added_silence_does_not_matter() -> None:
    x = mixed(0)
    silence = np.zeros((4, 2 * BLOCK_FRAMES), np.int32)  # whole blocks: the rest stays aligned
    straight, late = check(x, 96_000), check(np.concatenate((silence, x, silence), 1), 96_000)
    assert by_track(straight) == by_track(late)
    for a, b in zip(straight.findings, late.findings, strict=True):
        assert (a.kind, a.tracks, a.frames) == (b.kind, b.tracks, b.frames)
        assert a.values.get("count") == b.values.get("count")
        if a.start_frame is not None:
            assert b.start_frame == a.start_frame + silence.shape[1]


@pytest.mark.parametrize("rate_hz", [1, 1234, 48_000, 3_000_000])
@pytest.mark.parametrize("shape", [(1, 0), (1, 1), (2, 3), (64, 300), (1, BLOCK_FRAMES + 1)])
@pytest.mark.parametrize("value", [0, 1, 2**31 - 1, -(2**31)])
def test_constant_captures_are_no_accident(
    rate_hz: int, shape: tuple[int, int], value: int
) -> None:
    outcome = check(np.full(shape, value, np.int32), rate_hz)
    assert asking(outcome) == []
    line = lines(outcome)[0]
    assert (line.why is None) == (line.sample_peak_dbfs is not None)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_float_captures_may_hold_anything(dtype: Any) -> None:
    rng = np.random.default_rng(0)
    with np.errstate(over="ignore"):
        x = (rng.standard_normal((3, 40_000)) * 10 ** rng.uniform(-300, 300, (3, 40_000))).astype(
            dtype
        )
    x[0, ::7], x[0, 1::7], x[0, 2::7] = np.nan, np.inf, -np.inf
    x[1] = np.nan
    for rate_hz in (44_100, 352_800):
        outcome = check(x, rate_hz, word_length=32)
        assert [f.kind for f in outcome.findings if f.kind == "not-run"] == []
        assert lines(outcome)[1].sample_peak_dbfs is None


def test_many_places_are_counted_and_few_are_listed() -> None:
    rng = np.random.default_rng(3)
    at = np.cumsum(rng.integers(1_100, 12_000, 100))  # at a rate of 1 kHz each is a place
    x = np.zeros((3, int(at[-1]) + 900), np.int32)
    for start in at.tolist():
        x[:, start : start + 40] = words(1.3 * np.sin(np.linspace(0, np.pi, 40)))[0]
    found = only(check(x, 1_000), "full-scale")
    assert found.values["count"] == 300
    assert isinstance(found.values["listed"], int)
    assert 3 <= found.values["listed"] <= 32
