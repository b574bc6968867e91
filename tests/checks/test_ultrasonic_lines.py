"""Above 20 kHz: single lines, named, measured, and told from notes."""

from __future__ import annotations

import numpy as np
import pytest
from ultrasonic_kit import kinds, look, noise, one, tape, words


def test_bias_residue_is_one_line_and_no_programme():
    # noise of -100 dBFS in all, 105 kHz at -90 dBFS, 384 kHz: one line within 50 Hz
    rate = 384_000
    rng = np.random.default_rng(40)
    frames = 2 * rate
    line = 10 ** (-90 / 20) * np.sin(2 * np.pi * 105_000 * np.arange(frames) / rate)
    y = rng.standard_normal(frames) * 1e-5 / np.sqrt(2) + line
    outcome = look(words(y), rate)
    (track,) = outcome.measures.tracks
    (found,) = track.lines
    assert found.hz == pytest.approx(105_000, abs=50)
    assert found.dbfs == pytest.approx(-90, abs=0.2)
    assert "bias" in found.likely
    assert track.information_hz is None
    (band,) = [b for b in track.bands if b.from_hz <= 105_000 < b.to_hz]
    # the noise's share alone: 25 of 192 kHz
    assert band.level_dbfs == pytest.approx(-100 + 10 * np.log10(25 / 192), abs=0.3)
    assert ("line", "clear", "none") in kinds(outcome)


@pytest.mark.parametrize(
    ("hz", "system"),
    # 625 lines x 25 a second; 4.5 MHz / 286
    [(15_625.0, "625-line"), (15_734.266, "525-line")],
)
@pytest.mark.parametrize("rate", [48_000, 96_000])
def test_line_whistle_is_named_to_a_hertz(hz, system, rate):
    rng = np.random.default_rng(42)
    frames = 2 * rate
    y = 10 ** (-90 / 20) * np.sin(2 * np.pi * hz * np.arange(frames) / rate)
    (track,) = look(words(y + noise(rng, frames, rate, -150)), rate).measures.tracks
    (found,) = track.lines
    assert found.hz == pytest.approx(hz, abs=1)
    assert found.dbfs == pytest.approx(-90, abs=0.1)
    assert system in found.likely


def test_line_whistle_does_not_hide_or_fake_the_programme():
    rate = 96_000
    t = np.arange(int(2.5 * rate)) / rate
    whistle = 0.02 * np.sin(2 * np.pi * 15_625 * t) * (1 + 0.9 * np.sin(2 * np.pi * 0.7 * t))
    plain, whistled = (look(words(tape(rate, 22) + w), rate) for w in (0 * t, whistle))
    for a, b in zip(*(o.measures.tracks[0].bands for o in (plain, whistled)), strict=True):
        assert b.correlation == pytest.approx(a.correlation, abs=0.05)


@pytest.mark.parametrize(("dbfs", "verdict"), [(-80.0, "clear"), (-45.0, "listen")])
def test_a_strong_line_is_to_be_listened_to(dbfs, verdict):
    rate = 96_000
    y = tape(rate, 23, 3.2)
    y += 10 ** (dbfs / 20) * np.sin(2 * np.pi * 31_250 * np.arange(len(y)) / rate)
    found = one(look(words(np.stack((y, y))), rate), "line")
    assert found.verdict.value == verdict
    assert ("as strong as the hiss" in found.text) is (verdict == "listen")  # -45 takes no headroom
    assert found.tracks == (0, 1)
    (listed,) = found.values["lines"]
    assert listed["hz"] == pytest.approx(31_250, abs=10)
    assert listed["dbfs"] == pytest.approx(dbfs, abs=1.0)  # in hiss of -77 dBFS beside it
    assert listed["likely"] == "625-line line whistle, 2 times"
    assert listed["tracks"] == [1, 2]


def test_a_track_that_hears_its_neighbours_line_is_not_to_be_listened_to():
    rate = 96_000
    rng = np.random.default_rng(27)
    frames = 4 * rate
    line = np.sin(2 * np.pi * 21_000 * np.arange(frames) / rate)
    x = [10 ** (dbfs / 20) * line + noise(rng, frames, rate, -130) for dbfs in (-50, -62, -78)]
    found = [f for f in look(words(np.stack(x)), rate).findings if f.kind == "line"]
    assert [(f.verdict.value, f.tracks) for f in found] == [("listen", (0, 1)), ("clear", (2,))]


def test_a_note_above_20_khz_is_no_line():
    # a triangle's overtone that rings for a third of the time
    rate = 96_000
    t = np.arange(3 * rate) / rate
    rng = np.random.default_rng(24)
    ring = 0.01 * np.sin(2 * np.pi * 23_117 * t) * np.exp(-(t % 1.0) / 0.05)
    outcome = look(words(ring + noise(rng, len(t), rate, -115)), rate)
    assert not [f for f in outcome.findings if f.kind == "line"]


@pytest.mark.parametrize(("rate", "hz"), [(192_000, 60_000), (384_000, 105_000)])
def test_a_line_that_flutter_has_spread_is_one_line(rate, hz):
    # bias residue with 0.1 % of flutter at 7 Hz
    t = np.arange(3 * rate) / rate
    rng = np.random.default_rng(25)
    phase = 2 * np.pi * hz * t + 0.001 * hz / 7 * np.sin(2 * np.pi * 7 * t)
    y = 10 ** (-80 / 20) * np.sin(phase) + noise(rng, len(t), rate, -140)
    (found,) = look(words(y), rate).measures.tracks[0].lines
    assert found.hz == pytest.approx(hz, abs=0.001 * hz)
    assert found.dbfs == pytest.approx(-80, abs=0.5)


def test_more_lines_than_are_listed_are_counted():
    rate = 192_000
    t = np.arange(2 * rate) / rate
    rng = np.random.default_rng(26)
    hz = 21_300 + 3_400 * np.arange(20) + rng.uniform(-1_200, 1_200, 20)
    y = sum(1e-4 * np.sin(2 * np.pi * f * t + f) for f in hz)
    found = one(look(words(y + noise(rng, len(t), rate, -140)), rate), "line")
    assert found.values["count"] == 20
    assert found.values["listed"] == len(found.values["lines"]) == 16


def test_overtones_of_a_note_held_from_end_to_end_are_no_lines():
    rate = 192_000
    t = np.arange(2 * rate) / rate
    rng = np.random.default_rng(60)
    note = sum(0.05 / k * np.sin(2 * np.pi * 1_244.5 * k * t + k * k) for k in range(1, 60))
    supply = 1e-4 * np.sin(2 * np.pi * 34_223 * t)
    y = note + supply + noise(rng, len(t), rate, -140)
    (found,) = look(words(y), rate).measures.tracks[0].lines
    assert found.hz == pytest.approx(34_223, abs=2)
