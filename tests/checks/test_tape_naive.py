"""Programme of plain generators: what is loud, steady or turned down is no fault of the tape's."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._drops import like_music
from checks.dropouts._tape._judge import Lift
from checks.dropouts._tape._lasting import Fall, is_flat, turned_down
from checks.dropouts._tape._lifts import LiftEvent
from checks.model import Finding, Verdict

RATE = 48_000
LOSSES = {"hf-loss", "signal-lost", "contact-loss", "level-dip"}
Sound = NDArray[np.float64]


def _findings(x: Sound, rate_hz: int = RATE, word_length: int = 24) -> tuple[Finding, ...]:
    steps = np.rint(x * 2 ** (word_length - 1)).astype(np.int64)
    words = (steps << (32 - word_length)).astype(np.int32)
    return taped(words, rate_hz, word_length=word_length).findings


def _kinds(x: Sound, rate_hz: int = RATE, word_length: int = 24) -> set[str]:
    return {f.kind for f in _findings(x, rate_hz, word_length)}


def _noise(tracks: int, seconds: float, dbfs: float, seed: int, rate_hz: int = RATE) -> Sound:
    rng = np.random.default_rng(seed)
    return rng.normal(0, 10 ** (dbfs / 20), (tracks, round(seconds * rate_hz)))


def _segments(*on_s: tuple[float, float], seconds: float, rate_hz: int = RATE) -> Sound:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.any([(a <= t) & (t < b) for a, b in on_s], axis=0).astype(float)


@pytest.mark.parametrize("first_s", [0.2, 0.6])
def test_noise_that_is_played_in_segments_is_no_hiss_that_is_lost(first_s: float) -> None:
    """White noise at -20 dBFS is as steady as hiss; where it stops, the hiss goes on."""
    on = ((first_s, 1.4), (2.1, 3.2), (5.0, 5.8))
    x = _noise(2, 9.0, -62.0, 1)
    x[0] += _noise(1, 9.0, -20.0, 2)[0] * _segments(*on, seconds=9.0)
    x[1] += 0.1 * np.sin(2 * np.pi * 440 / RATE * np.arange(x.shape[1]))
    assert not _kinds(x) & LOSSES
    x[1] = x[0][::-1]  # both are played so: no-tape is no name for it either
    assert not _kinds(x) & {*LOSSES, "no-tape"}


@pytest.mark.parametrize(
    "tones_hz", [(1574.5, 2855.4, 500.9, 2850.1), (843.9, 951.6, 2457.5, 348.4)]
)
def test_what_the_windows_leak_of_loud_tones_is_no_hiss(tones_hz: tuple[float, ...]) -> None:
    """Tones of -14 dBFS over a converter's noise of -122 dBFS (the window's leak: 92 dB)."""
    t = np.arange(6 * 88_200) / 88_200
    x = _noise(1, 6.0, -122.0, 3, 88_200)
    x[0] += sum(0.2 * np.sin(2 * np.pi * hz * t) for hz in tones_hz) * (t < 4.0)
    assert not _kinds(x, 88_200) & LOSSES


@pytest.mark.parametrize(
    ("power", "fade_s", "tracks", "long_s"),
    [(1.0, 2.4, 8, 6.7), (2.0, 3.0, 1, 7.0), (1.0, 0.5, 4, 9.0), (2.0, 1.8, 4, 6.0)],
)
def test_a_fade_out_under_notes_is_no_loss(
    power: float, fade_s: float, tracks: int, long_s: float
) -> None:
    """Notes on every track, some of them within the fade; a second of noise behind it."""
    x = _noise(tracks, long_s, -70.0, 4)
    t = np.arange(x.shape[1]) / RATE
    for k in range(tracks):
        on = [(a, a + 0.4) for a in np.arange(0.5 + 0.3 * k, long_s, 1.1)]
        x[k] += 0.1 * _segments(*on, seconds=long_s) * np.sin(2 * np.pi * (200 + 77 * k) * t)
    x *= np.clip((long_s - 1.0 - t) / fade_s, 0, 1) ** power
    x += _noise(tracks, long_s, -118.0, 9)
    assert not _kinds(x) & {*LOSSES, "cut-end"}


@pytest.mark.parametrize("seed", range(2))
def test_noisy_programme_that_rests_and_goes_on_more_softly_loses_no_treble(seed: int) -> None:
    """Pink noise that swells, a rest on all tracks, 12 dB less behind it; no hiss is ever heard."""
    x, white = _noise(4, 12.0, -120.0, seed), _noise(4, 12.0, -50.0, seed + 5)
    f = np.maximum(np.fft.rfftfreq(x.shape[1]), 1e-6)
    pink = np.fft.irfft(np.fft.rfft(white) / np.sqrt(f), x.shape[1])
    t = np.arange(x.shape[1]) / RATE
    swell = 0.3 + 0.7 * np.abs(np.sin(t * np.array([[1.0], [0.6], [2.0], [1.4]])))
    level = np.where(t < 5.8, 1.0, 0.25) * (1 - _segments((5.8, 7.0), seconds=12.0))
    # that all tracks stop in one moment and come back in one is told, but nothing else
    assert not _kinds(x + pink * swell * level) & (LOSSES - {"signal-lost"})


def test_hiss_below_the_last_bit_stands_still_and_lifts_nothing() -> None:
    """16 bit hold hiss of -102 dBFS as single steps far apart (rounding without dither)."""
    x = _noise(2, 8.0, -102.0, 8, 88_200)
    t = np.arange(x.shape[1]) / 88_200
    x[1] += sum(0.2 / k * np.sin(2 * np.pi * 660 * k * t) for k in range(1, 7)) * (t % 1.5 > 0.7)
    x *= np.clip((8.0 - t) / 3.5, 0, 1)
    assert not _kinds(x, 88_200, 16) & LOSSES


@pytest.mark.parametrize("left_dbfs", [-85.0, -112.0])
def test_a_track_that_falls_to_the_electronics_is_still_told(left_dbfs: float) -> None:
    """The same programme, and a fault: what the tests above excuse does not excuse this."""
    x = _noise(4, 9.0, -62.0, 10)
    for k in range(4):
        on = [(a, a + 0.5) for a in np.arange(0.5 + 0.3 * k, 8.5, 1.3)]
        x[k] += _noise(1, 9.0, -20.0, 11 + k)[0] * _segments(*on, seconds=9.0)
    lost = x.copy()
    lost[2, 5 * RATE :] = _noise(1, 4.0, left_dbfs, 20)[0]
    assert not _kinds(x) & LOSSES
    assert "signal-lost" in _kinds(lost)


def _notes(tracks: int, seconds: float, hiss_dbfs: float) -> Sound:
    x = _noise(tracks, seconds, hiss_dbfs, 30)
    t = np.arange(x.shape[1]) / RATE
    for k in range(tracks):
        on = [(a, a + 0.7) for a in np.arange(0.4 + 0.3 * k, seconds - 0.8, 1.2)]
        tone = sum(np.sin(2 * np.pi * (180 + 60 * k) * h * t) / h for h in range(1, 6))
        gain = np.convolve(_segments(*on, seconds=seconds), np.full(480, 1 / 480), "same")
        x[k] += 0.1 * tone * gain
    return x


def _dull(x: Sound, corner_hz: float) -> Sound:
    """Fourth-order low-pass: -3 dB at the corner, 24 dB an octave behind it (Butterworth)."""
    f = np.fft.rfftfreq(len(x), 1 / RATE)
    return np.fft.irfft(np.fft.rfft(x) / np.sqrt(1 + (f / corner_hz) ** 8), len(x))


@pytest.mark.parametrize("corner_hz", [1500.0, 2000.0, 5000.0])
@pytest.mark.parametrize("stop_s", [9.0, 6.5])
def test_a_track_that_turns_dull_is_told(corner_hz: float, stop_s: float) -> None:
    """Steeper than any spacing loss, down to nothing above 12 kHz; body and hiss below stay."""
    x = _notes(3, 9.0, -62.0)
    now = _segments((4.5, stop_s), seconds=9.0)
    x[1] += (_dull(x[1], corner_hz) - x[1]) * now
    found = _findings(x)
    assert [(f.kind, f.tracks) for f in found if f.kind in LOSSES] == [("hf-loss", (1,))]


@pytest.mark.parametrize("stop_s", [9.0, 6.5])
def test_a_track_at_a_hundredth_needs_no_word_about_noise_reduction(stop_s: float) -> None:
    """40 dB less, hiss and all: no noise reduction does that (common practice: 10 to 24 dB)."""
    x = _notes(3, 9.0, -62.0)
    x[1] *= 1 - 0.99 * _segments((4.5, stop_s), seconds=9.0)
    (lost,) = (f for f in _findings(x) if f.kind in LOSSES)
    assert (lost.kind, lost.verdict, lost.tracks) == ("signal-lost", Verdict.REDO, (1,))
    assert abs((lost.start_frame or 0) / RATE - 4.5) < 0.2


@pytest.mark.parametrize("length_s", [0.2, 0.4, 0.6])
@pytest.mark.parametrize("sort", ["level", "treble"])
def test_lifts_between_the_short_and_the_lasting_are_told(length_s: float, sort: str) -> None:
    """Up to the 0.6 s from which a fall is lasting (the limit ``lasting_s``)."""
    x = _notes(3, 9.0, -62.0)
    less = _dull(x[1], 4000.0) if sort == "treble" else 0.1 * x[1]
    x[1] += (less - x[1]) * _segments((6.0, 6.0 + length_s), seconds=9.0)
    found = [f for f in _findings(x) if f.kind in LOSSES]
    assert {f.tracks for f in found} == {(1,)}
    assert abs(max(f.frames or 0 for f in found) / RATE - length_s) < 0.2


def test_tones_that_end_with_all_of_the_hiss_are_no_players_who_stop() -> None:
    """Falls a band in dB: body, edge, then the hiss of 8 kHz and above."""
    lost = np.array([[65.0], [40.0], [23.5], [23.0], [22.0], [22.5], [23.0]], np.float32)
    stopped = np.array([[65.0], [40.0], [30.0], [23.0], [12.0], [9.0], [6.0]], np.float32)
    quieter = np.array([[65.0], [40.0], [7.5], [7.0], [8.0], [7.5], [7.0]], np.float32)
    hiss = np.array([-60.0, -58, -57, -58, -60, -64, -70], np.float32)[:, None]
    for fall, music in ((lost, False), (stopped, True), (quieter, True)):
        assert bool(like_music(fall, 2, hiss - fall)[0]) == music


def test_hiss_that_falls_to_white_electronics_is_lost_however_it_was_coloured() -> None:
    """Hiss of 9 to 33 kHz that falls off by 15 dB; the electronics of -90 dBFS do not."""
    hiss = np.array([-50.0, -52, -52, -54, -56, -60, -66], np.float32)[:, None]
    white = np.full_like(hiss, -86.0)
    assert not like_music(hiss - white, 2, white)[0]
    assert like_music(hiss + 20.0 - white, 2, white)[0]  # so loud, it is noise that was played


@pytest.mark.parametrize(("before_db", "softer"), [(-41.0, True), (-62.0, False)])
def test_what_is_too_loud_for_hiss_falls_with_the_players(before_db: float, softer: bool) -> None:
    """Body 6, edge 7, treble 10 dB: quieter playing, unless a hiss of 62 dB down fell as far."""
    fell = np.array([6.1, 7.5, np.nan, np.nan, 8.9, 10.0, 11.7], np.float32)
    fall = Fall(
        track=0, first=21, last=46, seen=46, since=20, full=20, slides=False,
        open_end=True, fall_db=fell,
        after=before_db - fell, before_db=before_db, after_db=before_db - 10.2, mean_db=10.2,
        plays=1.0, quieter_db=6.3, steady=0.95, slow=False, fades=False, faded=False, rested=False,
    )  # fmt: skip
    assert is_flat(fall) == softer


@pytest.mark.parametrize("as_body", [True, False])
def test_a_track_is_turned_down_where_its_programme_falls_alike_over_all_its_rests(
    *, as_body: bool
) -> None:
    """Body 8 dB, its rests covered from then on; hiss 7.5 dB, to the electronics."""
    fell = np.array([-25.0, 7.2, 8.1, 7.9, 7.3, 7.2, 7.0], np.float32)
    fall = Fall(
        track=0, first=21, last=60, seen=60, since=20, full=20, slides=False,
        open_end=True, fall_db=fell,
        after=-60.0 - fell, before_db=-60.0, after_db=-67.5, mean_db=7.5,
        plays=0.85, quieter_db=8.2, steady=0.95, slow=False, fades=False, faded=False, rested=True,
        deepest=True, as_body=as_body,
    )  # fmt: skip
    assert turned_down(fall) == as_body


def _fade(x: Sound, middle_s: float, fade_s: float, zero_s: float) -> Sound:
    t = np.abs(np.arange(x.shape[1]) / RATE - middle_s)
    return np.asarray(np.clip((t - zero_s / 2) / fade_s, 0, 1))


@pytest.mark.parametrize(
    ("fade_s", "power", "lost_track"), [(1.1, 4.0, 0), (2.0, 1.0, 1), (2.6, 2.0, 1), (1.5, 2.0, 0)]
)
def test_a_track_that_is_faded_out_and_in_is_no_head_that_clogs(
    fade_s: float, power: float, lost_track: int
) -> None:
    """Down to digital silence and up again under notes that go on: body and hiss go together."""
    x = _notes(3, 9.0, -65.0)
    x[lost_track] *= _fade(x, 4.5, fade_s, 0.6) ** power
    x += _noise(3, 9.0, -120.0, 7)
    found = [(f.kind, f.verdict) for f in _findings(x) if f.kind in LOSSES]
    assert not [f for f in found if f[0] == "hf-loss" or f[1] is Verdict.REDO]


def _lift(track: int, start: int, hops: int, *, flat: bool, even: bool) -> Lift:
    return Lift(track=track, start=start, hops=hops, fall_db=20.0, loss_db=20.0, least_db=20.0,
                body_db=None, flat=flat, even=even, sunk=False, rises=False, whole=False,
                moves=False, follows=False, nats=90.0, sure=True)  # fmt: skip


def test_what_falls_alike_on_one_track_is_flat_on_those_whose_body_is_covered() -> None:
    flat = LiftEvent([_lift(0, 100, 400, flat=True, even=True)], set())
    covered = _lift(1, 110, 380, flat=False, even=True)
    lifted = _lift(1, 110, 380, flat=False, even=False)
    later = _lift(1, 480, 380, flat=False, even=False)
    assert flat.takes(covered)
    assert flat.takes(lifted)  # two tracks in one moment: that is no thin place in the coat
    assert not flat.takes(later)
    flat.lifts.append(covered)
    assert flat.flat
    # what lies within a lift has no hiss beside it: it does not make a dip of the whole
    event = LiftEvent([lifted], set())
    inner = _lift(1, 200, 20, flat=True, even=True)
    assert event.takes(inner)
    event.lifts.append(inner)
    assert not event.flat


@pytest.mark.parametrize("hz", [61.0, 233.0, 487.0])
def test_between_the_edges_of_a_square_wave_there_is_no_hiss_to_lift(hz: float) -> None:
    t = np.arange(4 * RATE) / RATE
    x = 0.2 * np.sign(np.sin(2 * np.pi * np.array([[hz], [1.31 * hz]]) * t))
    assert not _kinds(x) & LOSSES


@pytest.mark.parametrize("corner_hz", [2000.0, 5000.0])
def test_the_sentence_names_no_frequency_that_the_rate_cannot_hold(corner_hz: float) -> None:
    x = _notes(3, 9.0, -62.0)
    x[1] += (_dull(x[1], corner_hz) - x[1]) * _segments((4.5, 9.0), seconds=9.0)
    (found,) = [f for f in _findings(x) if f.kind == "hf-loss"]
    told = re.search(r"between (\d+) and (\d+) kHz", found.text)
    assert told
    assert 8 <= int(told[1]) < int(told[2]) < RATE / 2000
