"""The kernels under the clipping check: runs, places, the shape of crests, the screen, levels."""

from __future__ import annotations

import numpy as np
import pytest
from clipping_kit import Floats, asking, check, programme, tone, words
from hypothesis import given
from hypothesis import strategies as st

from checks._crests import flat_crests
from checks._flat_screen import marked, stride
from checks._flat_tops import Side, judged
from checks._levels import outer_shares, two_lengths, word_step
from checks._runs import Places, index_runs, true_runs
from checks._wraps import jumps_in
from checks.block import BLOCK_FRAMES, Block, Workspace
from checks.model import CaptureFormat

STEP = 2.0**-23


@given(st.lists(st.booleans(), max_size=60))
def test_runs_are_those_of_a_plain_walk(mask: list[bool]) -> None:
    expected, begun = [], None
    for at, now in enumerate([*mask, False]):
        if now and begun is None:
            begun = at
        elif not now and begun is not None:
            expected.append((begun, at))
            begun = None
    starts, stops = true_runs(np.array(mask, np.bool_))
    assert list(zip(starts.tolist(), stops.tolist(), strict=True)) == expected
    again = index_runs(np.flatnonzero(np.array(mask, np.bool_)))
    assert [x.tolist() for x in again] == [starts.tolist(), stops.tolist()]


def test_runs_of_a_table_are_a_mistake() -> None:
    with pytest.raises(ValueError, match=r"mask must be \(frames,\), got shape \(2, 3\)"):
        true_runs(np.zeros((2, 3), np.bool_))


@given(
    st.lists(st.tuples(st.integers(0, 500), st.integers(1, 50)), max_size=200),
    st.integers(1, 40), st.integers(2, 12),
)  # fmt: skip
def test_places_are_few_and_none_is_lost(steps: list[tuple[int, int]], gap: int, keep: int) -> None:
    starts = np.cumsum([step for step, _ in steps]).tolist()
    places, at_once = Places(gap, keep), Places(gap, keep)
    for start, (_, frames) in zip(starts, steps, strict=True):
        places.add(start, start + frames)
    stops = [start + frames for start, (_, frames) in zip(starts, steps, strict=True)]
    at_once.add_all(np.array(starts, np.int64), np.array(stops, np.int64))
    assert len(places) <= keep
    assert sum(p.count for p in places) == sum(p.count for p in at_once) == len(steps)
    for start, (_, frames) in zip(starts, steps, strict=True):
        assert any(p.start <= start and start + frames <= p.stop for p in places)


def crests(x: Floats, step: float = STEP, shortest: int = 3) -> tuple[list[int], list[int], int]:
    found = flat_crests(np.asarray(x, np.float64), step, shortest)
    return found.starts.tolist(), (found.stops - found.starts).tolist(), found.peaks


def test_a_cut_tone_has_flat_crests_where_it_was_cut() -> None:
    x = tone(96_000, 1000, 10 ** (3 / 20), 0.02)
    starts, lengths, peaks = crests(np.minimum(x, 1.0))
    held = np.flatnonzero(x >= 1.0)
    begins = held[np.flatnonzero(np.diff(held, prepend=-9) > 1)]
    assert starts == begins.tolist()
    assert all(22 <= n <= 24 for n in lengths)  # computed: 0.2507 of a period of 96
    assert peaks == len(starts)
    exact = flat_crests(np.minimum(x, 1.0), STEP, 3)
    assert exact.exact.all()
    assert exact.levels == pytest.approx(1.0)


@pytest.mark.parametrize("over_db", [0.3, 1.0, 3.0, 6.0])
def test_slight_and_strong_overdrive(over_db: float) -> None:
    x = np.minimum(tone(352_800, 1000, 10 ** (over_db / 20), 0.02), 1.0)
    assert len(crests(x)[0]) == 20


@pytest.mark.parametrize("tilt", [-0.08, -0.02, 0.02, 0.08])
def test_tilted_tops(tilt: float) -> None:
    x = tone(352_800, 300, 2.0, 0.02)
    phase = np.mod(300 * np.arange(len(x)) / 352_800 + 0.1 / (2 * np.pi), 1)
    x = np.minimum(x, 1 + tilt * (phase - 0.25) * 3)  # a third of a period high, that much apart
    assert len(crests(x)[0]) >= 5


@pytest.mark.parametrize("drive", [0.5, 1, 2, 3, 4])
def test_bent_crests_are_round(drive: float) -> None:
    x = np.tanh(drive * tone(352_800, 300, 1.0, 0.02))
    assert crests(x / x.max())[0] == []


def test_corners_cut_straight_leave_straight_shoulders() -> None:
    # computed: within 1 to 4 and 4 to 16 bands of a straight flank lie 3 : 12 samples
    x = np.minimum(tone(352_800, 200, 2.0, 0.1), 1.0)
    found = flat_crests(x, STEP, 3)
    assert found.near / found.far == pytest.approx(0.25, abs=0.05)


def test_sawteeth_and_steps_are_no_flat_crests() -> None:
    saw = 2 * np.mod(np.arange(20_000) / 400, 1) - 1
    assert crests(saw)[0] == []
    stairs = np.repeat(np.sin(np.arange(4000) * 0.7), 12)  # held by a slower converter
    assert crests(stairs)[0] == []
    assert asking(check(words(0.5 * stairs), 96_000)) == []


def gathered(levels_db: list[float], *, dense: bool, peaks: int) -> Side:
    side = Side(tops=len(levels_db), peaks=peaks, near=10, far=40)
    for level in levels_db:
        klass = round(level / 0.05)
        side.counts[klass] = side.counts.get(klass, 0) + 1
        side.sums_db[klass] = side.sums_db.get(klass, 0.0) + level
        if dense:
            side.dense[klass] = side.dense.get(klass, 0) + 1
    return side


def test_what_makes_a_ceiling() -> None:
    alike = [-6.0, -6.01, -6.02, -5.99, -6.0]
    ceiling = judged(gathered(alike, dense=False, peaks=20), True, 5)
    assert ceiling is not None
    assert ceiling.level_dbfs == pytest.approx(-6.004)
    assert not ceiling.wide
    assert judged(gathered(alike[:4], dense=True, peaks=20), True, 5) is None
    assert judged(gathered(alike, dense=True, peaks=1000), True, 5) is None  # few among many
    apart = [-6.0 + 0.16 * k for k in range(11)]
    ceiling = judged(gathered(apart, dense=True, peaks=20), True, 5)
    assert ceiling is not None
    assert ceiling.wide
    assert judged(gathered(apart, dense=False, peaks=20), True, 5) is None  # now and then
    soft = gathered(alike, dense=True, peaks=20)
    soft.near = 30
    assert judged(soft, True, 5) is None
    equal = gathered([-6.0] * 3, dense=False, peaks=1000)
    equal.exact[4_204_000] = 3
    assert judged(equal, True, 5) is not None


def test_two_levels_and_two_lengths() -> None:
    square = np.sign(tone(48_000, 441, 1.0)).astype(np.float32)
    assert sum(outer_shares(square)) == pytest.approx(1.0)
    sine = tone(48_000, 441, 1.0).astype(np.float32)
    assert sum(outer_shares(sine)) == pytest.approx(2 * np.arccos(0.6) / np.pi, abs=0.01)
    assert outer_shares(np.empty(0, np.float32)) == (0.5, 0.5)
    rng = np.random.default_rng(1)
    cells = np.where(rng.random(200) < 0.5, 60, 124) + rng.integers(-1, 2, 200)
    assert two_lengths(cells)
    assert not two_lengths(rng.integers(20, 130, 200))
    assert not two_lengths(np.full(200, 60))
    assert not two_lengths(cells[:15])
    assert not two_lengths(np.resize([3, 3, 4, 3, 5, 8, 3, 4, 7, 8], 40))  # short clipped peaks


def test_steps_of_the_word_in_use() -> None:
    fmt = CaptureFormat(rate_hz=48_000, channels=1, word_length=24)
    x = programme(1, 48_000, 0.1)
    assert word_step(words(x)[0], fmt) == 2**8
    assert word_step(words(x, 16)[0], fmt) == 2**16
    assert word_step(np.zeros(9, np.int32), fmt) == 2**8
    floating = CaptureFormat(rate_hz=48_000, channels=1, word_length=32, floating=True)
    assert word_step((words(x, 16)[0] / 2.0**31).astype(np.float32), floating) == 2.0**-15
    assert word_step(x.astype(np.float32), floating) == 2.0**-23


@pytest.mark.parametrize("rate_hz", [44_100, 352_800])
def test_the_screen_marks_the_cut_row_alone(rate_hz: int) -> None:
    rows = np.stack([0.5 * programme(k, rate_hz, 0.4)[:BLOCK_FRAMES] for k in range(4)])
    top = 0.6 * rows[2].max()
    rows[2] = np.minimum(rows[2], top)
    fmt = CaptureFormat(rate_hz=rate_hz, channels=4, word_length=24)
    block = Block(np.concatenate([words(r) for r in rows]), start=BLOCK_FRAMES, lead=0, fmt=fmt,
                  work=Workspace())  # fmt: skip
    assert np.argwhere(marked(block, stride(rate_hz))).tolist() == [[2, 0]]


def test_jumps_modulo_the_word() -> None:
    wrapped = words(np.mod(np.arange(60) * 0.11 - 0.5 + 1, 2) - 1)[0]  # a ramp that goes round
    jumps = jumps_in(wrapped, 2.0**-31, STEP)
    assert (set(jumps.ways[jumps.wraps].tolist()), jumps.foreign) == ({-1}, 0)
    assert np.count_nonzero(jumps.wraps) == 3
    rails = words(np.where(np.arange(60) // 10 % 2, 1.0, -1.0))[0]
    jumps = jumps_in(rails, 2.0**-31, STEP)
    assert (np.count_nonzero(jumps.wraps), jumps.foreign) == (0, 5)
    steep = words(np.resize([0.5, 0.9, 1.0, -1.0, -0.9, -0.5, -0.9, -1.0, 1.0, 0.9], 60))[0]
    jumps = jumps_in(steep, 2.0**-31, STEP)  # clipped, and too fast for any sample between
    assert (np.count_nonzero(jumps.wraps), jumps.foreign) == (0, 10)
    assert len(jumps_in(rails[:7], 2.0**-31, STEP).every) == 0
