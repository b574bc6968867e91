"""Held values and zeros in smooth programme of coarse words, and what rests there by itself."""

from __future__ import annotations

import dropouts_kit as kit
import numpy as np
import pytest
from numpy.typing import NDArray

from checks.dropouts import _corners

SECONDS = 1.0


def chord(rate_hz: int, lowest_hz: float, peak_dbfs: float) -> NDArray[np.float64]:
    """Partials of a steady sound, in steps of 16 bits; half a second of rest before and behind."""
    t = np.arange(int(SECONDS * rate_hz)) / rate_hz
    x = sum(np.sin(2 * np.pi * lowest_hz * k * t + k * k) / k for k in (1, 2, 3, 5))
    x *= 10 ** (peak_dbfs / 20) * 32_768 / np.abs(x).max()
    rise = np.clip(np.minimum(t, t[::-1]) / 0.05, 0, 1) ** 2
    rest = np.zeros(rate_hz // 2)
    return np.concatenate((rest, x * rise, rest))


def words(x: NDArray[np.float64], dither_steps: float) -> NDArray[np.int32]:
    """Triangular dither so wide, peak to peak, and rounding to 16 bits; one track."""
    r = np.random.default_rng(3)
    x = x + dither_steps / 2 * (r.random(len(x)) - r.random(len(x)))
    return np.left_shift(np.rint(x).astype(np.int32), 16)[np.newaxis]


def told(x: NDArray[np.int32], rate_hz: int) -> list[tuple[str, str, int | None]]:
    found = kit.run(x, rate_hz, word_length=16).findings
    kinds = ("held-value", "zero-run")
    return [(f.kind, f.verdict.value, f.start_frame) for f in found if f.kind in kinds]


@pytest.mark.parametrize("dither_steps", [0.0, 2.0])
@pytest.mark.parametrize(
    ("rate_hz", "lowest_hz", "frames"),
    [(48_000, 110.0, 24), (96_000, 110.0, 240), (96_000, 41.0, 240), (192_000, 220.0, 48)],
)
def test_a_hold_in_loud_smooth_programme_is_told(
    rate_hz: int, lowest_hz: float, frames: int, dither_steps: float
) -> None:
    sound = chord(rate_hz, lowest_hz, -30.0)
    x = words(sound, dither_steps)
    at = rate_hz + int(np.argmax(np.abs(np.diff(sound[rate_hz : rate_hz + rate_hz // 20]))))
    x[:, at : at + frames] = x[:, at - 1]
    ((kind, verdict, start),) = told(x, rate_hz)
    assert (kind, verdict) == ("held-value", "redo")
    assert start == pytest.approx(at, abs=1)  # a sample before may be equal


@pytest.mark.parametrize("dither_steps", [0.0, 2.0])
@pytest.mark.parametrize(
    ("zeros_s", "verdict"), [(0.001, "redo"), (0.02, "redo"), (0.08, "listen")]
)
def test_zeros_in_loud_smooth_programme_are_told(
    zeros_s: float, verdict: str, dither_steps: float
) -> None:
    x = words(chord(96_000, 110.0, -30.0), dither_steps)
    at = x.shape[1] // 2 + 7
    x[:, at : at + round(zeros_s * 96_000)] = 0
    assert told(x, 96_000) == [("zero-run", verdict, at)]


@pytest.mark.parametrize("dither_steps", [0.0, 1.0, 2.0])
@pytest.mark.parametrize("peak_dbfs", [-3.0, -40.0, -80.0])
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_crests_rests_and_fades_of_smooth_programme_are_no_hold(
    rate_hz: int, peak_dbfs: float, dither_steps: float
) -> None:
    assert told(words(chord(rate_hz, 40.0, peak_dbfs), dither_steps), rate_hz) == []


@pytest.mark.parametrize("hz", [15.0, 110.0])
@pytest.mark.parametrize("duty", [0.5, 0.9])
def test_flat_tops_of_a_square_wave_break_off_no_more_than_others(hz: float, duty: float) -> None:
    """A slow one beneath moves them, so that they lie at no ceiling."""
    t = np.arange(48_000) / 48_000
    x = np.rint(np.where(t * hz % 1 < duty, 900.0, -900.0) + 40 * np.floor(8 * t))
    at = np.flatnonzero(np.diff(x) < -1_000)
    stop = int(at[len(at) // 2]) + 1
    start = stop - round(duty / hz * 48_000)
    left, right = x[start - 1_920 : start][::-1] - x[start], x[stop : stop + 1_920] - x[start]
    assert not _corners.broken_off(left, right, stop - start, held=True)


def test_tops_that_are_cut_off_below_the_ceiling_are_no_hold() -> None:
    """Cut off in the midst of a louder, slow sound: the top lies at no extreme of what is around
    for long; both flanks are as steep as others."""
    t = np.arange(96_000) / 48_000
    fast, slow = 800 * np.sin(2 * np.pi * 90.0 * t), 2_000 * np.sin(2 * np.pi * 1.3 * t)
    cut = np.where(np.abs(t - 1.0) < 0.004, np.minimum(fast, 500.0), fast)
    assert told(words(cut + np.rint(slow / 400) * 400, 0.0), 48_000) == []


def test_a_strike_behind_a_rest_is_no_hold() -> None:
    """A sound dies away into less than half a step, rests for 20 ms, and the next one begins from
    one sample to the next."""
    since = np.arange(48_000) / 48_000
    first = 900 * np.exp(-since / 0.004) * np.cos(2 * np.pi * 150 * since)
    x = np.concatenate((first[:2_400], 8 * first[:9_600]))
    assert told(words(np.concatenate((np.zeros(9_600), x)), 0.0), 48_000) == []


def test_a_tone_that_a_generator_keys_is_no_fault() -> None:
    t = np.arange(96_000) / 48_000
    tone = 900 * np.sin(2 * np.pi * 440.0 * t + 1) * (t % 0.4 < 0.2)
    assert told(words(tone, 0.0), 48_000) == []
