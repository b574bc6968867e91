"""What line-up tones explain in the findings of other checks, and what they do not."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
import synth
from bench_lineup.signals import Part, ints, line_up

from checks.lineup import explained
from checks.measures import LineupMeasures, ToneLine, ToneTrackLine
from checks.model import CaptureFormat, Finding, Outcome, Remedy, Verdict
from checks.registry import Context
from checks.sample_pass import SamplePass
from checks.sheet import Reel, ReelKind, Sheet

RATE = 44_100
PARTS = [Part(hz=hz, dbfs=-18, seconds=3) for hz in (1000, 10_000, 100)]


def asking(x: Any, reel: Reel) -> list[tuple[str, str]]:
    """What all checks together ask for on a capture."""
    fmt = CaptureFormat(rate_hz=RATE, channels=len(x), word_length=24, frames=x.shape[1])
    whole = SamplePass(Context(fmt=fmt, sheet=Sheet(reel=reel)))
    whole.feed(x)
    outcomes = explained(
        whole.finish(), rate_hz=RATE, frames=fmt.frames, declared=reel.kind is ReelKind.LINEUP
    )
    return [(f.check, f.kind) for outcome in outcomes.values() for f in outcome.findings
            if f.verdict is not Verdict.CLEAR]  # fmt: skip


@pytest.mark.parametrize("kind", list(ReelKind))
@pytest.mark.parametrize("gap_s", [0.5, 0.02, 0.0])
@pytest.mark.parametrize("hiss_dbfs", [-62.0, None])
def test_a_line_up_asks_for_nothing(kind: ReelKind, gap_s: float, hiss_dbfs: float | None) -> None:
    # tones switched on and off between two samples, on all tracks at once, with hiss and without
    signal = line_up(RATE, PARTS, tracks=4, gap_s=gap_s, hiss_dbfs=hiss_dbfs, as_hiss=True)
    assert asking(ints(signal.samples), Reel(kind=kind)) == []


def test_tones_at_the_head_leave_the_music_alone_but_not_its_faults() -> None:
    music = synth.programme("band", rate_hz=RATE, tracks=4, seconds=8, seed=3)
    head = ints(line_up(RATE, PARTS, tracks=4, hiss_dbfs=-62, as_hiss=True).samples)
    whole = np.concatenate((head, music), axis=1)
    assert asking(whole, Reel()) == []
    cut = head.shape[1] + 4 * RATE
    lost = np.delete(whole, slice(cut, cut + 60), axis=1)
    assert asking(lost, Reel()) == [("dropouts", "step")]
    within = np.delete(whole, slice(2 * RATE, 2 * RATE + 11), axis=1)  # of the 1 kHz tone
    assert ("dropouts", "step") in asking(within, Reel())


# -- one by one: tones from 1 to 4 s and from 5 to 8 s of a minute ------------------------------


def tone(start_s: float, end_s: float, hz: float, noise_dbfs: float | None = -62) -> ToneLine:
    line = ToneTrackLine(track=1, level_dbfs=-18.0, deviation_db=0.0, phase_deg=0.0,
                         flutter_percent=None, noise_dbfs=noise_dbfs)  # fmt: skip
    return ToneLine(start_s=start_s, end_s=end_s, frequency_hz=hz, nominal_hz=hz, kind="steady",
                    tracks=(line, line))  # fmt: skip


def levels(start_s: float, end_s: float, *dbfs: float | None, hz: float = 1000) -> ToneLine:
    """A tone of such a level on each track."""
    one = tone(start_s, end_s, hz)
    lines = [dataclasses.replace(one.tracks[0], level_dbfs=db) for db in dbfs]
    return dataclasses.replace(one, tracks=tuple(lines))


def left(
    check: str, kind: str, start_s: float | None, stop_s: float | None, *tones: ToneLine,
    declared: bool = False, length_s: float = 60.0, at_s: Sequence[float] | None = None,
    **values: Any,
) -> Verdict:  # fmt: skip
    """The verdict left of a finding at such a place."""
    start = None if start_s is None else round(1000 * start_s)
    frames = None if start is None or stop_s is None else round(1000 * stop_s) - start
    usual: dict[str, Any] = {"times": 1, "cause": "cut"}
    if at_s is not None:
        usual |= {"times": len(at_s), "start_frames": [round(1000 * s) for s in at_s]}
    finding = Finding(check=check, kind=kind, verdict=Verdict.REDO, remedy=Remedy.REPLAY, text="x",
                      tracks=(0, 1), start_frame=start, frames=frames,
                      values=usual | values)  # fmt: skip
    measured = LineupMeasures(tones=tones, speed_error_percent=None, azimuth=(), response=())
    outcomes = {check: Outcome(findings=(finding,)), "lineup": Outcome(measures=measured)}
    (found,) = explained(
        outcomes, rate_hz=1000, frames=round(1000 * length_s), declared=declared
    )[check].findings  # fmt: skip
    assert (found.remedy is Remedy.NONE) == (found.verdict is Verdict.CLEAR)
    return found.verdict


TWO = (tone(1, 4, 1000), tone(5, 8, 10_000))
BARE = (tone(1, 4, 1000, -120), tone(5, 8, 10_000, None))
SAME = (tone(1, 4, 1000), tone(4.1, 8, 1000))
JOINED = (tone(1, 4, 1000), tone(4.001, 7, 10_000), tone(7.001, 9, 100))
MUSIC = (tone(1, 4, 1000), dataclasses.replace(tone(5, 8, 440), tracks=(
    tone(5, 8, 440).tracks[0], tone(5, 8, 440, -10).tracks[1])))  # fmt: skip
SWAP = (levels(1, 4, -18, -20), levels(4, 8, -20, -18))
STEPPED = (levels(1, 4, -18, -20), levels(4, 8, -28, -30))
TURNS = (levels(1, 4, -18, None), levels(4, 8, None, -18))
ASIDE = (tone(0, 4, 1000), tone(57, 60, 1000))
HEAD = (tone(0, 3, 1000), tone(3.1, 6, 10_000))
TAIL = (tone(54, 57, 1000), tone(57.1, 60, 10_000))
ENDS = (tone(0, 4, 1000), tone(5, 8, 1000))
LATE = (tone(400, 403, 1000, -120),)
STEP = ("dropouts", "step")
BLOCK = ("dropouts", "repeated-block")
ALIKE = ("tracks", "identical")


@pytest.mark.parametrize(
    ("finding", "tones", "settings", "excused"),
    [
        ((*STEP, 1.02, 1.02), TWO, {}, True),
        ((*STEP, 1.06, 1.06), TWO, {}, False),
        ((*STEP, 2.5, 2.5), TWO, {}, False),
        ((*STEP, 4.0, 5.0), TWO, {"at_s": (4.0, 5.0)}, True),
        ((*STEP, 4.0, 5.0), TWO, {"at_s": (4.0, 4.6, 5.0)}, False),  # one is no end of a tone
        ((*STEP, 4.0, 7.0), JOINED, {"at_s": (4.0, 7.0)}, True),
        ((*STEP, 4.0, 7.0), JOINED, {"at_s": (4.0, 5.9, 7.0)}, False),
        ((*STEP, 4.0, 7.0), JOINED, {"at_s": (4.0, 4.03, 7.0)}, False),  # two at one change
        ((*STEP, 4.0, 5.0), TWO, {"at_s": (4.0, 5.0), "times": 33}, False),  # not all are known
        ((*STEP, 4.0, 5.0), TWO, {"times": 2}, False),
        ((*STEP, 4.0, 4.0), TWO, {"cause": "lost"}, True),
        ((*STEP, 4.0, 4.0), TWO, {"cause": "unproven"}, True),
        ((*STEP, 4.0, 4.0), TWO, {"cause": "word"}, False),
        ((*STEP, 4.0, 4.0), TWO, {"cause": "swap", "declared": True}, False),
        ((*STEP, 8.0, 8.0), MUSIC, {}, False),  # one of its tracks has music
        ((*STEP, 4.0, 4.0), SWAP, {"cause": "unproven"}, False),
        ((*STEP, 4.0, 4.0), STEPPED, {}, True),
        ((*STEP, 4.0, 4.0), TURNS, {}, True),
        ((*STEP, 4.0, 4.0), SAME, {}, False),  # one tone, parted by a fault
        ((*STEP, 1.0, 1.0), (), {}, False),
        (("dropouts", "cut-start", 0.0, 0.001), ASIDE, {"declared": True}, True),
        (("dropouts", "cut-end", 59.999, 60.0), ASIDE, {"declared": True}, True),
        (("dropouts", "cut-start", 0.0, 0.001), ASIDE, {}, False),  # a held note of music
        (("dropouts", "cut-end", 59.999, 60.0), ASIDE, {}, False),
        (("dropouts", "cut-start", 0.0, 0.001), HEAD, {}, True),
        (("dropouts", "cut-end", 59.999, 60.0), HEAD, {}, False),
        (("dropouts", "cut-end", 59.999, 60.0), TAIL, {}, True),
        (("dropouts", "cut-start", 0.0, 0.001), ENDS, {"length_s": 8.0}, True),
        (("dropouts", "cut-end", 7.999, 8.0), ENDS, {"length_s": 8.0}, True),
        (("dropouts", "cut-start", 0.0, 0.001), ENDS, {"length_s": 12.0}, False),
        (("dropouts", "cut-end", 7.999, 8.0), MUSIC, {"length_s": 8.0}, False),
        (("dropouts", "cut-start", 0.0, 0.001), TWO, {}, False),
        (("dropouts", "cut-end", 59.999, 60.0), TWO, {}, False),
        ((*BLOCK, 1.2, 3.0), BARE, {}, True),
        ((*BLOCK, 1.2, 3.0), TWO, {}, False),  # tape noise never comes twice
        ((*ALIKE, 1.0, 8.0), BARE, {}, True),
        ((*ALIKE, 1.0, 8.2), BARE, {}, False),  # music that joins the tones
        ((*ALIKE, 0.0, 9.0), BARE, {"declared": True}, True),
        ((*ALIKE, 0.0, 9.0), BARE, {"length_s": 9.0}, True),  # most of it is tones
        ((*ALIKE, 1.0, 8.0), TWO, {"declared": True}, False),
        ((*ALIKE, 1.0, 20.0), (*BARE, tone(17, 20, 100, -120)), {}, False),
        ((*ALIKE, 400.0, 403.0), LATE, {"length_s": 800.0}, False),  # a mark over the music?
        (("tracks", "same-signal", None, None), TWO, {"declared": True}, True),
        (("tracks", "delayed", None, None), TWO, {"declared": True, "delay_us": -1000.0}, True),
        (("tracks", "delayed", None, None), TWO, {"declared": True, "delay_us": 1001.0}, False),
        (("tracks", "delayed", None, None), TWO, {"length_s": 10.0}, False),
        (("tracks", "same-signal", None, None), TWO, {}, False),
        (("tracks", "inverted", None, None), TWO, {"declared": True}, False),
        (("dropouts", "zero-run", 1.0, 1.0), TWO, {}, False),
    ],
)
def test_what_tones_explain(
    finding: tuple[Any, ...], tones: tuple[ToneLine, ...], settings: Any, excused: bool
) -> None:
    assert (left(*finding, *tones, **settings) is Verdict.CLEAR) is excused
