"""Signals that go for good and tapes that end, down to electronics with a part of 1/f noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dropouts_kit import run
from numpy.typing import NDArray
from synth import programme

from checks.dropouts._tape._ends import _ended
from checks.dropouts._tape._fades import step_by_step
from checks.dropouts._tape._floors import PARTS, LevelHistory
from checks.dropouts._tape._hiss import Hiss
from checks.dropouts._tape._lasting import Fall
from checks.dropouts._tape._motion import Motion, course
from checks.dropouts._tape._others import of_hiss
from checks.model import Finding, Samples, Verdict

RATE = 48_000
AT = 5 * RATE


def _electronics(tracks: int, frames: int) -> NDArray[np.float64]:
    """-71 dBFS, nearly all of it 1/f (common for amplifiers)."""
    rng = np.random.default_rng(5)
    white, pink = rng.standard_normal((2, tracks, frames))
    shape = 1.0 / np.sqrt(np.maximum(np.arange(frames // 2 + 1), 1))
    pink = np.fft.irfft(np.fft.rfft(pink) * shape, frames)
    both = 0.01 * white + pink / pink.std()
    return np.asarray(both * 10 ** (-71 / 20) / both.std())


def _gone(
    kind: str,
    seed: int,
    tracks: tuple[int, ...],
    *,
    steady: int | None = None,
    until: int | None = None,
) -> Samples:
    """Programme and tape hiss, which rises with 3 dB an octave, are gone in 2 ms.

    ``steady``: a track with noise instead of programme; ``until``: frame from which noise plays.
    """
    x = programme(kind, rate_hz=RATE, tracks=3, seconds=12.0, seed=seed) / 2.0**31
    noise = np.random.default_rng([seed, 1]).standard_normal(x.shape) * 0.02
    if steady is not None:  # 6 dB an octave from 500 Hz, as of wind
        f = np.fft.rfftfreq(x.shape[1], 1 / RATE)
        wind = np.fft.irfft(np.fft.rfft(noise[steady]) / (1 + f / 500), x.shape[1])
        x[steady] = 0.1 * wind / wind.std()
    if until is not None:
        x[:, until:] = noise[:, until:]
    hiss = np.random.default_rng(seed).standard_normal(x.shape)
    f = np.fft.rfftfreq(x.shape[1], 1 / RATE)
    hiss = np.fft.irfft(np.fft.rfft(hiss) * np.sqrt(f / RATE + 0.02), x.shape[1])
    x = x + hiss / hiss.std() * 10 ** (-60 / 20)
    gain = np.clip(1.0 - (np.arange(x.shape[1]) - AT) / (0.002 * RATE), 0.0, 1.0)
    gain[until or x.shape[1] :] = 1.0
    x[list(tracks)] *= gain
    x = x + _electronics(*x.shape)
    words = np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64)
    return np.asarray(words << 8, np.int32)


def _told(x: Samples) -> list[Finding]:
    kinds = ("hf-loss", "signal-lost", "no-tape", "cut-end")
    return [f for f in run(x, RATE).findings if f.kind in kinds]


@pytest.mark.parametrize("kind", ["drums", "plucks", "speech"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_signal_of_which_only_the_electronics_are_left_is_lost(kind: str, seed: int) -> None:
    found = [f for f in _told(_gone(kind, seed, (1,))) if f.verdict is not Verdict.CLEAR]
    assert [(f.kind, f.tracks) for f in found if f.kind != "cut-end"] == [("signal-lost", (1,))]
    (lost,) = (f for f in found if f.kind == "signal-lost")
    assert lost.start_frame == pytest.approx(AT, abs=0.2 * RATE)


@pytest.mark.parametrize("kind", ["drums", "plucks", "speech"])
@pytest.mark.parametrize("seed", [1, 2])
def test_what_falls_on_all_tracks_at_once_is_the_end_of_the_tape(kind: str, seed: int) -> None:
    found = _told(_gone(kind, seed, (0, 1, 2)))
    asked = [f for f in found if f.verdict is not Verdict.CLEAR]
    # close behind a note, in one moment: the tape may be over, or all was unplugged
    assert all(f.kind == "cut-end" or len(f.tracks) == 3 for f in asked)
    assert {f.verdict for f in asked} <= {Verdict.LISTEN}
    assert {f.kind for f in found} <= {"no-tape", "cut-end", "signal-lost"}
    (note,) = (f for f in found if f.kind == "no-tape")
    assert note.start_frame == pytest.approx(AT, abs=0.2 * RATE)


@pytest.mark.parametrize("kind", ["drums", "plucks", "speech"])
def test_a_tape_that_stops_and_starts_again_under_noise_is_no_lasting_fall(kind: str) -> None:
    found = _told(_gone(kind, 4, (0, 1, 2), steady=2, until=AT + 3 * RATE // 2))
    fell = [f for f in found if f.kind in ("hf-loss", "signal-lost")]
    assert {(f.kind, f.tracks, f.verdict) for f in fell} <= {
        ("signal-lost", (0, 1, 2), Verdict.LISTEN)  # within 2 ms no machine stops
    }


BANDS = 9


def _history(levels_db: list[tuple[float, float]], first: int = 60) -> LevelHistory:
    """Steady levels of all bands, a track each: before and from entry ``first`` of 80."""
    history = LevelHistory(BANDS, len(levels_db))
    course_db = np.array([[a if k < first else b for k in range(80)] for a, b in levels_db])
    parts = 10 ** (np.repeat(course_db, PARTS, axis=1) / 10)
    history.append(np.broadcast_to(parts, (BANDS, *parts.shape)).astype(np.float32))
    return history


def _fall(track: int, before_db: float, after_db: float, *, fades: bool = False) -> Fall:
    db = before_db - after_db
    return Fall(
        track=track, first=60, last=80, seen=80, since=60, full=60, slides=False, open_end=True,
        fall_db=np.full(BANDS, db, np.float32), after=np.full(BANDS, after_db, np.float32),
        before_db=before_db, after_db=after_db, mean_db=db, plays=0.0, quieter_db=np.nan,
        steady=1.0, slow=False, fades=fades, faded=False, rested=False,
    )  # fmt: skip


@pytest.mark.parametrize(("other_db", "over"), [(-70.0, True), (-59.0, False)])
def test_a_track_that_never_rested_ends_with_the_tape_at_the_same_electronics(
    other_db: float, over: bool
) -> None:
    """Hiss of -58 falls to an amplifier 12 dB under it (common practice: 8 to 12)."""
    history = _history([(-58.0, -70.0), (-30.0, other_db)])
    way = course(history, [0, 1], 0.093)
    found = [_fall(0, -58.0, -70.0)]
    way, left = _ended(way, found, history, [0, 1], 0.093, 6.0)
    assert left == ([] if over else found)
    assert (way.states[60:] == Motion.STANDING).all() == over
    dead = _history([(-58.0, -70.0), (-70.0, -70.0)])  # as low all along: it tells nothing
    assert _ended(course(dead, [0, 1], 0.093), found, dead, [0, 1], 0.093, 6.0)[1] == found


@pytest.mark.parametrize(("first", "left"), [(60, 0), (58, 0), (30, 1)])
def test_what_falls_where_the_tape_ends_is_no_clogged_head(first: int, left: int) -> None:
    """Though something is heard on that track yet, as of the machine that stands still."""
    history = _history([(-58.0, -70.0)] * 3)
    heard = replace(_fall(2, -58.0, -70.0), first=first, plays=0.05)
    found = [_fall(0, -58.0, -70.0), _fall(1, -58.0, -70.0), heard]
    way = course(history, [0, 1, 2], 0.093)
    assert _ended(way, found, history, [0, 1, 2], 0.093, 6.0)[1] == [heard] * left


@pytest.mark.parametrize("fades", [False, True])
def test_noise_that_is_played_and_faded_out_was_no_hiss(fades: bool) -> None:
    """Down to less than any tape hisses (50 to 80 dB down, common practice), once at once."""
    history = _history([(-35.0, -90.0), (-30.0, -30.0)])
    heard = Hiss(history, course(history, [0, 1], 0.093), [])
    fall = _fall(0, -35.0, -90.0, fades=fades)
    low = history.low_db
    low[0] += 30.0  # the body of what is played stands out
    assert of_hiss([fall], heard, history, [0, 1]) == ([] if fades else [fall])


@pytest.mark.parametrize(
    ("still", "treble_db"),
    [(20, (-63.0, -63.0, -64.0, -66.0, -69.0, -71.0, -73.0, -74.0, -75.0)), (2, (-63.0,) * BANDS)],
)
def test_a_tape_that_starts_is_seen_though_its_treble_hisses_little_or_it_starts_at_once(
    still: int, treble_db: tuple[float, ...]
) -> None:
    """At 19 cm/s heads give out at half the frequency; the body hisses as the lower treble does."""
    hiss, amplifier = np.array(treble_db), np.full(BANDS, -75.5)
    levels = np.array([amplifier] * still + [hiss] * (80 - still)).T
    levels[:, 40:60] = -30.0
    history = LevelHistory(BANDS, 1)
    parts = 10 ** (np.repeat(levels, PARTS, axis=1) / 10)
    history.append(parts[:, None].astype(np.float32))
    states = course(history, [0], 0.093).states
    assert (states[:still] == Motion.STANDING).all()
    assert (states[still:] == Motion.RUNNING).all()


def test_a_machine_that_stood_still_for_longer_than_the_tape_rests_hides_no_hiss() -> None:
    """An amplifier 12 dB under the hiss (common practice: 8 to 12); then the treble falls."""
    levels = np.array([-74.0] * 30 + [-62.0] * 10 + [-30.0] * 20 + [-74.0] * 20)
    bands = np.tile(levels, (BANDS, 1))
    bands[0, 60:] = -30.0  # the body of the sound goes on
    history = LevelHistory(BANDS, 1)
    parts = 10 ** (np.repeat(bands, PARTS, axis=1) / 10)
    history.append(parts[:, None].astype(np.float32))
    heard = Hiss(history, course(history, [0], 0.093), [])
    fall = _fall(0, -62.0, -74.0, fades=True)
    assert of_hiss([fall], heard, history, [0]) == [fall]


def test_a_fader_drawn_in_half_a_second_goes_down_step_by_step() -> None:
    # shares of the fall in entries of 93 ms: amplitude drawn down evenly in 0.6 s, by 43 dB
    fader = np.array([0.0, 0.02, 0.06, 0.12, 0.18, 0.33, 0.67, 0.99, 1.0, 1.0])
    assert step_by_step(fader)
    assert not step_by_step(np.array([0.0, 0.01, 0.0, 0.45, 0.99, 1.0, 0.98, 1.0]))
