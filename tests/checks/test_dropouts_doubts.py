"""Cuts told by prediction alone: trusted where they are rare, or all of one length."""

from __future__ import annotations

import pytest

from checks.dropouts._doubts import Doubts
from checks.dropouts._events import Event
from checks.model import CaptureFormat, Remedy, Verdict

RATE = 48_000


def verdicts(frames: list[int], lost: list[int]) -> list[Verdict]:
    """What becomes of samples lost on two tracks at some frames."""
    doubts = Doubts(CaptureFormat(rate_hz=RATE, channels=2, word_length=24), listed=50)
    for start, count in zip(frames, lost, strict=True):
        doubts.proven(
            Event(
                kind="step", verdict=Verdict.REDO, remedy=Remedy.REPLAY, tracks=(0, 1),
                start=start, stop=start + 1, text="",
                values={"cause": "lost", "jump_sigma": 90.0, "lost_frames": count},
            )
        )  # fmt: skip
    return [finding.verdict for finding in doubts.finish()[0]]


NOTES = [RATE * k // 2 for k in range(1, 11)]


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
