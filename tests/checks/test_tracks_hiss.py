"""The hiss of each track: only where the tape runs, and nothing where it is nowhere heard."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from bench_lineup.signals import hiss as white
from bench_lineup.signals import ints
from numpy.typing import NDArray
from tracks_kit import run

from checks.explained import hiss_of_tape
from checks.measures import DropoutsMeasures, TrackLine
from checks.model import Finding, Outcome, Remedy, Samples, Verdict
from watcher.examine import examine
from watcher.settings import Sheets, load
from watcher.tracksets import Capture

RATE = 48_000
AMPLIFIER, TAPE = -72.0, -62.0  # common practice: an amplifier lies 8 to 12 dB under the hiss
STANDS_S, SECONDS = 2.0, 8.0


def hiss(frames: int, dbfs: float, seed: int) -> NDArray[np.float64]:
    """White noise; its level from 20 Hz to 20 kHz."""
    return white(np.random.default_rng(seed), frames, dbfs + 10 * math.log10(RATE / 40_000))


def made(
    *, tracks: int = 2, rests: bool = True, stands_s: float = STANDS_S, seed: int = 3
) -> NDArray[np.float64]:
    """A machine that stands, then tape with notes of noise that falls with frequency."""
    frames = round(SECONDS * RATE)
    t = np.arange(frames) / RATE
    x = np.stack([hiss(frames, AMPLIFIER, seed + k) for k in range(tracks)])
    rng = np.random.default_rng(seed)
    for k in range(tracks):
        x[k] += np.where(t >= stands_s, hiss(frames, TAPE, seed + 50 + k), 0.0)
        brown = np.cumsum(rng.standard_normal(frames))
        brown -= np.convolve(brown, np.full(200, 1 / 200), "same")
        loud = 0.8 * (1.5 + np.sin(2 * np.pi * (0.7 + 0.1 * k) * t))
        if rests:
            loud *= (t > stands_s + 1) & (np.mod(t, 1.6) < 1.0)
        x[k] += brown / np.abs(brown).max() * loud
    return x


def lines(
    x: Samples, findings: Sequence[Finding] = (), *, ran: bool = True, lineup: bool = False
) -> Sequence[TrackLine]:
    measures = DropoutsMeasures(tracks=(), programme_s=()) if ran else None
    outcomes = {
        "dropouts": Outcome(findings=tuple(findings), measures=measures),
        "tracks": run(x, RATE),
    }
    told: Sequence[TrackLine] = hiss_of_tape(outcomes, lineup=lineup)["tracks"].measures.tracks
    return told


def tells(kind: str, tracks: tuple[int, ...], start_s: float, seconds: float) -> Finding:
    return Finding(
        check="dropouts", kind=kind, verdict=Verdict.CLEAR, remedy=Remedy.NONE, text=kind,
        tracks=tracks, start_frame=round(start_s * RATE), frames=round(seconds * RATE),
    )  # fmt: skip


def test_a_machine_that_stands_is_no_hiss() -> None:
    x = ints(made())
    for line in lines(x):
        assert line.hiss_dbfs == pytest.approx(AMPLIFIER, abs=1)
    for line in lines(x, [tells("no-tape", (), 0.0, STANDS_S)]):
        assert line.hiss_dbfs == pytest.approx(TAPE + 0.4, abs=1)  # and the amplifier's 10 dB under
        assert line.why is None or "hiss" not in line.why


def test_a_track_that_is_lost_tells_no_hiss_there_and_the_others_do() -> None:
    x = made(stands_s=0.0)
    lost = slice(round(5 * RATE), None)
    x[0, lost] = hiss(x[0, lost].size, AMPLIFIER, 9)
    x[1, : lost.start] += hiss(lost.start, -30.0, 10)  # it rests where the other is lost
    told = lines(ints(x), [tells("signal-lost", (0,), 5.0, SECONDS - 5.0)])
    assert [line.hiss_dbfs for line in told] == [pytest.approx(TAPE + 0.4, abs=1)] * 2


def test_a_track_that_never_rests_has_none_and_says_so() -> None:
    line = lines(ints(made(tracks=1, rests=False, stands_s=0.0)))[0]
    assert line.hiss_dbfs is None
    assert "hiss: nowhere heard plainly" in str(line.why)


def test_what_is_nowhere_heard_but_where_the_machine_stands_is_none() -> None:
    x = ints(made(tracks=1, rests=False) * (np.arange(round(SECONDS * RATE)) >= STANDS_S * RATE)
             + hiss(round(SECONDS * RATE), AMPLIFIER, 5)[None])  # fmt: skip
    assert lines(x)[0].hiss_dbfs == pytest.approx(AMPLIFIER, abs=1)
    line = lines(x, [tells("no-tape", (), 0.0, STANDS_S)])[0]
    assert line.hiss_dbfs is None
    assert "hiss: nowhere heard plainly" in str(line.why)


@pytest.mark.parametrize(("ran", "lineup"), [(False, False), (True, True)])
def test_where_nobody_looked_for_the_tape_none_is_told(ran: bool, lineup: bool) -> None:
    line = lines(ints(made()), ran=ran, lineup=lineup)[0]
    assert line.hiss_dbfs is None
    assert "where the tape runs is not known" in str(line.why)


def test_a_track_without_signal_has_none() -> None:
    x = made(tracks=3, stands_s=0.0)
    x[2] = hiss(x.shape[1], AMPLIFIER - 6, 7)
    outcome = run(ints(x), RATE)
    assert [f.tracks for f in outcome.findings if f.kind == "silent"] == [(2,)]
    assert [line.hiss_dbfs is None for line in outcome.measures.tracks] == [False, False, True]
    assert "hiss: none, see silent" in outcome.measures.tracks[2].why


def test_a_long_capture_tells_it_as_well() -> None:
    """Of more parts than are kept: their places stay right when every second one is dropped."""
    x = hiss(56 * RATE, TAPE, 11)
    x[20 * RATE : 24 * RATE] *= 10 ** ((AMPLIFIER - TAPE) / 20)
    assert lines(ints(x[None]))[0].hiss_dbfs == pytest.approx(AMPLIFIER, abs=1)
    (line,) = lines(ints(x[None]), [tells("no-tape", (), 20.0, 4.0)])
    assert line.hiss_dbfs == pytest.approx(TAPE, abs=1)


def test_the_report_tells_it_of_the_tape(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, made().T, RATE, "PCM_24")
    report = examine(Capture.of_file(path), Sheets(load(None), tmp_path).for_capture(path))
    assert [f.kind for f in report.findings if f.kind == "no-tape"]
    measured = report.measures.tracks
    assert measured is not None
    for line in measured.tracks:
        assert line.hiss_dbfs == pytest.approx(TAPE + 0.4, abs=1)
