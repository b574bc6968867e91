"""Beyond a stretch: the same programme, in time or late, or a sound that begins there."""

from __future__ import annotations

import numpy as np
import pytest
import stepping
from numpy.typing import NDArray

from checks.dropouts._junction import Junction
from checks.dropouts._steps import _causes, _long
from checks.model import Finding, Verdict

Floats = NDArray[np.float64]
CHORDS = ((220.0, 277.2, 329.6, 1318.5), (146.8, 370.0, 587.3, 880.0), (98.0, 196.5, 246.9, 1480.0))


def chord(track: int, frames: int, rate_hz: int, *, noise: float = 40.0) -> Floats:
    """Steady tones of one track, in steps of 24 bit."""
    t = np.arange(frames) / rate_hz
    rng = np.random.default_rng([3, track])
    tones = [np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in CHORDS[track]]
    return np.asarray(300_000 * np.sum(tones, axis=0) + noise * rng.standard_normal(frames))


def note(frames: int, rate_hz: int, *, ramp: int) -> Floats:
    """A note that a machine begins within some samples."""
    t = np.arange(frames) / rate_hz
    tones = [np.cos(2 * np.pi * 510.0 * h * t + h) / h for h in (1, 2, 3, 5)]
    return np.asarray(
        400_000 * np.sum(tones, axis=0) * np.minimum(np.arange(1, frames + 1) / ramp, 1)
    )


def steps(rows: list[Floats], rate_hz: int) -> list[Finding]:
    return stepping.steps((np.rint(np.array(rows)).astype(np.int64) << 8).astype(np.int32), rate_hz)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("frames", [1, 8, 200])
def test_behind_samples_in_place_of_others_the_programme_goes_on_in_time(
    rate_hz: int, frames: int
) -> None:
    row, at = chord(0, rate_hz, rate_hz), rate_hz // 2
    row[at : at + frames] = 1e6
    found = _long.beyond(row, at, at + frames, rate_hz, slack=0)
    assert found.in_place
    assert not found.late


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("margin", [0, 4])
def test_behind_samples_put_in_the_programme_is_late(rate_hz: int, margin: int) -> None:
    row, at = chord(1, rate_hz, rate_hz), rate_hz // 2
    row = np.concatenate((row[:at], np.full(200, 1e6), row[at:]))
    found = _long.beyond(row, at - margin // 2, at + 200 + margin // 2, rate_hz, slack=margin)
    assert (found.in_place, found.put_in, found.late) == (False, True, True)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("begins", [True, False])
def test_beyond_a_note_that_begins_or_ends_nothing_goes_on(rate_hz: int, begins: bool) -> None:
    row, at = chord(0, rate_hz, rate_hz), rate_hz // 2
    if begins:
        row[at:] += note(rate_hz - at, rate_hz, ramp=8)
    else:
        row[: at + 8] += note(at + 8, rate_hz, ramp=8)[::-1]
    found = _long.beyond(row, at, at + 8, rate_hz, slack=2)
    assert not found.in_place
    assert not found.put_in


def test_a_note_that_begins_soon_hides_no_wrong_word() -> None:
    rate_hz = 96_000
    row, at = chord(0, rate_hz, rate_hz), rate_hz // 2
    row[at + 900 :] += note(rate_hz - at - 900, rate_hz, ramp=1)
    row[at] += 2e6
    assert _long.beyond(row, at, at + 1, rate_hz, slack=0).in_place


def test_too_little_on_a_side_speaks_against_nothing() -> None:
    found = _long.beyond(chord(0, 2000, 96_000), 900, 908, 96_000, slack=2)
    assert (found.in_place, found.put_in, found.late) == (True, True, False)


@pytest.mark.parametrize(
    ("rate_hz", "noise", "ramp", "hz"),
    [(96_000, 300.0, 6, 165.0), (352_800, 60.0, 8, 55.0), (352_800, 60.0, 10, 330.0)],
)
def test_a_note_that_a_machine_ends_within_some_samples_is_no_foreign_stretch(
    rate_hz: int, noise: float, ramp: int, hz: float
) -> None:
    rng, at, long = np.random.default_rng([3, int(hz)]), rate_hz // 3, round(0.12 * rate_hz)
    row = noise * rng.standard_normal(rate_hz) + 0.02 * chord(0, rate_hz, rate_hz, noise=0.0)
    t = np.arange(long) / rate_hz
    tone = np.sin(2 * np.pi * hz * t + 1) + 0.4 * np.sin(4 * np.pi * hz * t + 1)
    tone *= 300_000 * np.exp(-3 * t) * np.minimum(1, np.arange(long, 0, -1) / (ramp + 1))
    tone[: long // 2] *= np.sin(np.pi * np.arange(long // 2) / long) ** 2  # begins softly
    row[at : at + long] += tone
    assert steps([row, noise * rng.standard_normal(rate_hz)], rate_hz) == []


@pytest.mark.parametrize(
    ("rate_hz", "frames", "noise", "size"),
    [(48_000, 64, 100.0, 50_000), (48_000, 64, 2_000.0, 20_000), (192_000, 256, 2_000.0, 20_000)],
)
def test_noise_put_in_is_proven_by_the_tones_that_wait_for_its_end(
    rate_hz: int, frames: int, noise: float, size: float
) -> None:
    rng, at, rows = np.random.default_rng(4), rate_hz // 2, []
    for k in range(2):
        row = chord(k, rate_hz, rate_hz, noise=noise)
        rows.append(np.concatenate((row[:at], size * rng.standard_normal(frames), row[at:])))
    (found,) = steps(rows, rate_hz)
    assert (found.verdict, found.values["cause"]) == (Verdict.REDO, "inserted")
    assert found.start_frame is not None
    assert abs(found.start_frame - at) <= 4


@pytest.mark.parametrize(
    ("left", "towers", "wrong"), [(5.9, False, False), (1.5, False, True), (5.9, True, True)]
)
def test_a_word_that_leaves_much_is_where_a_sound_begins(
    left: float, towers: bool, wrong: bool
) -> None:
    place = Junction(
        frame=1009, jump=62.0, first=20.0, later=0.99, across=509.0, sides=6.9,
        pushed=(200.0, 180.0, 160.0), left=2e4, right=2e4, stands_out=17.0, usual=False, levels=1.1,
        word=left,
        word_frame=1008, deviation=7e4, word_sigmas=225.0, whitening=np.ones(33),
    )  # fmt: skip
    assert _causes.wrong_word(place, towers=towers) is wrong


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
def test_a_wrong_word_at_the_very_sample_where_a_note_begins_is_proven(rate_hz: int) -> None:
    at = rate_hz // 2
    rows = [chord(k, rate_hz, rate_hz) for k in range(2)]
    rows[0][at:] += 0.3 * note(rate_hz - at, rate_hz, ramp=1)
    rows[0][at] += 2.0**22
    found = [f for f in steps(rows, rate_hz) if f.start_frame == at]
    assert [(f.verdict, f.values["cause"]) for f in found] == [(Verdict.REDO, "word")]


def test_a_gap_that_joins_one_track_proves_nothing_where_another_begins_a_note() -> None:
    # a small jump that some gap explains, as one note in fifty makes
    rate_hz = 96_000
    at = rate_hz // 2
    rows = [np.delete(chord(k, rate_hz, rate_hz), slice(at, at + 10)) for k in range(2)]
    assert {f.values["cause"] for f in steps(rows, rate_hz)} == {"lost"}
    rows[1] = chord(2, rate_hz - 10, rate_hz)
    rows[1] -= chord(2, rate_hz - 10, rate_hz, noise=0.0)  # hiss alone, then
    rows[1][at:] += note(rate_hz - 10 - at, rate_hz, ramp=1)
    assert all(f.verdict is not Verdict.REDO for f in steps(rows, rate_hz))


def with_near_silence(frames: int, *, floors: float) -> tuple[Floats, int]:
    """A chord into which noise was put, of some times its own, and where."""
    row, rng = chord(0, 352_800, 352_800), np.random.default_rng(5)
    at = 176_400 + int(np.argmax(np.abs(row[176_400:][:2000])))
    return np.concatenate((row[:at], floors * 40 * rng.standard_normal(frames), row[at:])), at


@pytest.mark.parametrize("floors", [1.0, 10.0, 20.0])
@pytest.mark.parametrize("frames", [27, 70, 120])
@pytest.mark.parametrize("moving", [False, True])
def test_near_silence_put_in_is_proven(
    monkeypatch: pytest.MonkeyPatch, floors: float, frames: int, moving: bool
) -> None:
    """All that the filter shows of it is its edges; where the sound itself changes beside them,
    the long look tells nothing."""
    if moving:
        monkeypatch.setattr(_long, "beyond", lambda *_, **__: _long.Beyond(False, False, False))
    row, at = with_near_silence(frames, floors=floors)
    (found,) = steps([row], 352_800)
    assert (found.verdict, found.start_frame) == (Verdict.REDO, pytest.approx(at, abs=2))
    assert found.values["cause"] in ("inserted", "foreign")
    assert found.frames == frames
