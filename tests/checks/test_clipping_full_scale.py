"""Full scale with dither on it, full scale a little short, and every peak that is held there."""

from __future__ import annotations

import numpy as np
import pytest
from clipping_kit import Floats, asking, check, lines, only, tone, words

from checks.model import Remedy


def crests_over(x: Floats, shortest: int) -> tuple[int, int]:
    """How many excursions beyond 1 last so many samples, and the longest of them."""
    lengths: list[int] = []
    for sign in (1, -1):
        edges = np.flatnonzero(np.diff((sign * x > 1).astype(np.int8), prepend=0, append=0))
        lengths += (edges[1::2] - edges[::2]).tolist()
    return sum(n >= shortest for n in lengths), max(lengths)


def harmonics(rate_hz: int, amplitude: float) -> Floats:
    """A low tone with a high one on it, so that crests come back to the rail at once."""
    return tone(rate_hz, 90, amplitude, 1.0) + tone(rate_hz, 1_730, 0.25 * amplitude, 1.0)


@pytest.mark.parametrize("rate_hz", [96_000, 352_800])
@pytest.mark.parametrize("steps", [0, 2])
def test_every_peak_held_at_full_scale_is_counted(rate_hz: int, steps: int) -> None:
    """Also where dither was added since, and where the next peak is as near as this one long."""
    x = harmonics(rate_hz, 1.4)
    count, longest = crests_over(x, 3)
    y = words(x)
    down = np.random.default_rng(5).integers(0, steps + 1, y.shape, np.int32) << 8
    y = np.where(np.abs(x) >= 1, np.where(x > 0, 2**31 - 256 - down, -(2**31) + down), y)
    outcome = check(y.astype(np.int32), rate_hz)
    assert asking(outcome) == [("full-scale", "redo", (0,))]
    found = only(outcome, "full-scale")
    assert found.values["count"] == pytest.approx(count, rel=0.02)
    assert found.values["longest_samples"] == pytest.approx(longest, abs=2)


@pytest.mark.parametrize("noise", [0.0, 1e-5, 2e-4])
@pytest.mark.parametrize("level_db", [-0.001, -0.02, -0.09])
def test_a_converter_that_clips_just_short_of_full_scale(level_db: float, noise: float) -> None:
    """No tape's ceiling lies so near to it by chance: the level of the transfer was too high."""
    top = 10 ** (level_db / 20)
    x = np.clip(tone(96_000, 440, 1.5), -top, top)
    x += noise * np.random.default_rng(6).standard_normal(len(x))
    outcome = check(words(x), 96_000)
    assert [kind for kind, *_ in asking(outcome)] == ["full-scale"]
    found = only(outcome, "full-scale")
    assert found.remedy is Remedy.REPLAY
    assert "just below" in found.text or noise
    assert found.values["count"] == pytest.approx(440, abs=4)  # 880 a second
    assert lines(outcome)[0].full_scale_runs == found.values["count"]


def test_a_ceiling_farther_below_may_be_on_the_tape() -> None:
    x = np.clip(tone(96_000, 440, 1.5), -0.97, 0.97)  # 20 log10 0.97 = -0.26 dBFS
    assert asking(check(words(x), 96_000)) == [("flat-top", "listen", (0,))]
