"""What becomes of steps once all are known: trusted where rare, or where no note does so."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from checks.dropouts._events import Event
from checks.dropouts._sentences import FOREIGN, JUMP, ON_THE_BEAT, PERHAPS_FOREIGN, STEEP
from checks.dropouts._steps._doubts import Doubts
from checks.model import CaptureFormat, Finding, Remedy, Value, Verdict

RATE = 48_000
NOTES = [RATE * k // 2 + 37 * k**3 % 5000 for k in range(1, 11)]  # no clock


def step(start: int, tracks: Sequence[int] = (0, 1), text: str = JUMP, **values: Value) -> Event:
    proven = "cause" in values
    verdict, remedy = (Verdict.REDO, Remedy.REPLAY) if proven else (Verdict.LISTEN, Remedy.LISTEN)
    return Event(
        kind="step", verdict=verdict, remedy=remedy, tracks=tuple(tracks), start=start,
        stop=start + 1, text=text, values={"cause": "unproven", "jump_sigma": 30.0, **values},
    )  # fmt: skip


def told(events: Sequence[Event], *, tracks: int = 2) -> list[Finding]:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=tracks, word_length=24), listed=50)
    for event in events:
        (doubts.proven if event.verdict is Verdict.REDO else doubts.unproven)(event)
    return list(doubts.finish()[0])


def verdicts(frames: list[int], lost: list[int]) -> list[Verdict]:
    """What becomes of samples lost on two tracks at some frames."""
    events = [
        step(frame, cause="lost", lost_frames=count)
        for frame, count in zip(frames, lost, strict=True)
    ]
    return [finding.verdict for finding in told(events)]


def test_cuts_at_every_note_are_not_trusted() -> None:
    assert verdicts(NOTES, [25, 41, 7, 12, 60, 33, 25, 9, 18, 50]) == [Verdict.LISTEN]


def test_samples_lost_in_like_number_again_and_again_are() -> None:
    assert set(verdicts(NOTES, [8] * 10)) == {Verdict.REDO}


@pytest.mark.parametrize("many", [1, 4])
def test_few_cuts_are(many: int) -> None:
    assert set(verdicts(NOTES[:many], [25, 41, 7, 12][:many])) == {Verdict.REDO}


def test_cuts_that_are_far_apart_are() -> None:
    assert set(verdicts([3 * RATE * k for k in range(1, 7)], [5, 9, 30, 2, 44, 7])) == {
        Verdict.REDO
    }


def test_cuts_on_nearly_all_of_many_tracks_are_no_notes() -> None:
    events = [step(frame, (0, 1, 3), cause="cut") for frame in NOTES]
    assert {f.verdict for f in told(events, tracks=4)} == {Verdict.REDO}
    assert {f.verdict for f in told(events, tracks=6)} == {Verdict.LISTEN}


@pytest.mark.parametrize(("before_s", "verdict"), [(3, Verdict.REDO), (0, Verdict.LISTEN)])
def test_a_wrong_word_is_told_whatever_recurs_and_doubted_only_there(
    before_s: int, verdict: Verdict
) -> None:
    word = step(NOTES[1] + 900, (0,), "a word", cause="word")
    jumps = [step(frame + before_s * RATE, (0,)) for frame in NOTES]
    found = told([word, *jumps])
    assert [(f.verdict, f.values["times"]) for f in found if f.start_frame == word.start] == [
        (verdict, 1)
    ]
    assert [f.values["times"] for f in found if f.start_frame == jumps[0].start] == [10]


def test_jumps_that_recur_are_one_finding_with_its_places() -> None:
    (found,) = told([step(frame) for frame in NOTES])
    assert found.values["start_frames"] == NOTES
    assert (found.values["times"], found.values["count"]) == (10, 10)


def test_unlike_places_do_not_make_each_other_recur() -> None:
    foreign = [step(frame + 900, (0,), PERHAPS_FOREIGN) for frame in NOTES[:3]]
    found = told([step(frame) for frame in NOTES[:3]] + foreign)
    assert sorted(f.values["times"] for f in found) == [3, 3]


def lone(frames: Sequence[int], track: int = 0) -> list[Event]:
    return [step(frame, [track]) for frame in frames]


@pytest.mark.parametrize(("track", "count"), [(0, 0), (1, 1)])
def test_a_jump_of_a_track_on_which_sounds_begin_so_all_along_says_nothing(
    track: int, count: int
) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=4, word_length=24), listed=50)
    for event in lone(NOTES):
        doubts.unproven(event, sound=True)
    for event in lone([NOTES[3] + 9000], track):
        doubts.unproven(event)
    found, counts = doubts.finish()
    assert len(found) == count
    assert sum(counts) == count


@pytest.mark.parametrize(("apart_s", "count"), [(1, 0), (60, 1)])
def test_what_comes_on_a_track_is_counted_beyond_what_is_listed(apart_s: int, count: int) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=4, word_length=24), listed=50)
    for k in range(max(60, 12 * apart_s)):
        doubts.unproven(step(RATE * k // 2, (0,)), sound=True)
    for k in range(6):
        doubts.unproven(step(apart_s * RATE * k + 900, (1,)), sound=True)
    doubts.unproven(step(RATE + 9000, (1,)))
    assert len(doubts.finish()[0]) == count


def test_a_wrong_word_among_sounds_asks_to_listen() -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=4, word_length=24), listed=50)
    for event in lone(NOTES):
        doubts.unproven(event, sound=True)
    doubts.proven(step(NOTES[3] + 9000, (0,), "a word", cause="word"))
    (found,) = doubts.finish()[0]
    assert (found.verdict, found.start_frame) == (Verdict.LISTEN, NOTES[3] + 9000)


@pytest.mark.parametrize(
    ("height", "tracks", "count"), [(95.0, (1, 2), 1), (80.0, (1, 2), 0), (200.0, (1,), 0)]
)
def test_what_towers_over_all_sounds_on_several_tracks_is_told(
    height: float, tracks: tuple[int, ...], count: int
) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=4, word_length=24), listed=50)
    for k in range(120):
        doubts.unproven(step(RATE * k // 2, (k % 4,)), sound=True)
    doubts.unproven(step(59 * RATE + 900, tracks, jump_sigma=height), sound=True, sharp=True)
    found, counts = doubts.finish()
    assert [f.start_frame for f in found] == [59 * RATE + 900] * count
    assert counts == [0, count, count, 0]


@pytest.mark.parametrize(
    ("height", "sound", "told_of"),
    [(250.0, True, 1), (230.0, True, 0), (95.0, False, 1), (85.0, False, 0)],
)
def test_what_is_far_higher_than_all_sounds_of_one_track_is_told(
    height: float, sound: bool, told_of: int
) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=4, word_length=24), listed=50)
    for k in range(20):
        doubts.unproven(step(RATE * k // 2, (2,)), sound=True, sharp=True)
    doubts.unproven(step(9 * RATE + 900, (2,), jump_sigma=height), sound=sound, sharp=sound)
    assert [f.start_frame for f in doubts.finish()[0]] == [9 * RATE + 900] * told_of


def test_a_jump_of_all_tracks_is_told_whatever_sounds_begin() -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=4, word_length=24), listed=50)
    for frame in NOTES:
        doubts.unproven(step(frame, range(4)), sound=True)
    doubts.unproven(step(NOTES[3] + 9000, range(4)))
    assert [f.start_frame for f in doubts.finish()[0]] == [NOTES[3] + 9000]


@pytest.mark.parametrize(("jumps", "told_of"), [(10, 0), (2, 1)])
def test_a_track_that_jumps_by_its_own_nature_is_no_witness_of_a_sound(
    jumps: int, told_of: int
) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=3, word_length=24), listed=50)
    for frame in NOTES[:jumps]:
        doubts.unproven(step(frame, (2,), PERHAPS_FOREIGN))
    doubts.unproven(step(NOTES[1] + 900, (1, 2), JUMP), sound=True)
    found = [f for f in doubts.finish()[0] if 1 in f.tracks]
    assert len(found) == told_of


@pytest.mark.parametrize(
    ("height", "sharp", "times", "listens"),
    [
        (60.0, True, 4, 4),
        (60.0, False, 2, 0),
        (60.0, True, 5, 0),
        (35.0, True, 2, 2),  # no other sound begins so in the whole capture
        (35.0, True, 3, 0),
    ],
)
def test_few_jumps_as_sharp_as_no_sound_are_told_on_one_track(
    height: float, sharp: bool, times: int, listens: int
) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=4, word_length=24), listed=50)
    for k in range(times):
        event = step(5 * RATE * (k + 1), (2,), jump_sigma=height)
        doubts.unproven(event, sound=True, sharp=sharp)
    assert [f.verdict for f in doubts.finish()[0]] == [Verdict.LISTEN] * listens


@pytest.mark.parametrize(("tracks", "clicks"), [(2, 8), (8, 8), (2, 400)])
def test_what_stands_alone_on_one_track_at_the_beat_of_a_clock_may_be_a_click_track(
    tracks: int, clicks: int
) -> None:
    """However many: the first fifty are kept."""
    beats = [step(RATE * k // 2, (1,), text=FOREIGN, cause="foreign") for k in range(clicks)]
    (finding,) = told(beats, tracks=tracks)
    assert finding.verdict is Verdict.LISTEN
    assert finding.text.endswith(ON_THE_BEAT)
    assert finding.values["times"] == len(beats)


@pytest.mark.parametrize("frames", [512, 4096])
def test_what_comes_with_each_buffer_of_a_device_is_a_fault(frames: int) -> None:
    words = [step(RATE + frames * k, (1,), text=FOREIGN, cause="foreign") for k in range(9)]
    assert {finding.verdict for finding in told(words)} == {Verdict.REDO}


def test_a_single_track_has_no_click_track_beside_it() -> None:
    beats = [step(RATE * k // 2, (0,), text=FOREIGN, cause="foreign") for k in range(90)]
    assert {finding.verdict for finding in told(beats, tracks=1)} == {Verdict.REDO}


@pytest.mark.parametrize(("falling", "told"), [((), 1), ((1,), 7), ((0,), 1)])
def test_what_breaks_off_by_more_than_a_tape_can_is_told_there_and_is_no_sound(
    falling: Sequence[int], told: int
) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=2, word_length=24), listed=50)
    for frame in NOTES[:6]:
        doubts.breaks_off(step(frame, (1,), text=STEEP))
    doubts.unproven(step(NOTES[7], (1,), jump_sigma=300.0), sound=True, sharp=True)
    findings, counts = doubts.finish(falling=frozenset(falling))
    assert sum(int(str(finding.values["times"])) for finding in findings) == told
    assert counts == [0, told]


@pytest.mark.parametrize(("falling", "verdict"), [(0, Verdict.REDO), (1, Verdict.LISTEN)])
def test_a_cut_behind_the_tape_stands_in_place_of_the_jump(falling: int, verdict: Verdict) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=2, word_length=24), listed=50)
    doubts.behind_tape(step(RATE, cause="cut"), 0)
    doubts.unproven(step(RATE))
    findings, counts = doubts.finish(falling=frozenset({falling}))
    assert [(f.verdict, f.start_frame) for f in findings] == [(verdict, RATE)]
    assert counts == [1, 1]
