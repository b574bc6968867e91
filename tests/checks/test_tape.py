"""The tape half of the dropouts check on small captures of its own making."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from taping import taped

from checks.block import Block
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._tape import TapePart
from checks.model import CaptureFormat, Finding, Remedy, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import NoiseReduction, Reel, ReelKind, Sheet, Tape, TrackEntry, TrackKind

RATE = 48_000
HISS, AMPLIFIER = 2e-4, 6e-5  # rms: some 10 dB apart
PLAIN = Sheet(tape=Tape(speed_cm_s=38.1, noise_reduction=NoiseReduction.NONE))


def _parts(
    seconds: float, tracks: int, seed: int = 0, *, lead_s: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """(what stands on the tape, what the amplifier adds), float64 (tracks, frames)."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE)
    tape = rng.standard_normal((tracks, frames)) * HISS
    for row in tape:
        for at in np.arange(lead_s, seconds - lead_s - 0.6, 0.37):
            t = np.arange(round(0.55 * RATE)) / RATE
            f = float(rng.uniform(200, 900))
            note = sum(
                0.2 / h * np.sin(2 * np.pi * f * h * t) * np.exp(-t * 4 * h) for h in range(1, 8)
            )
            start = round(at * RATE)
            row[start : start + len(t)] += (
                note * np.minimum(t / 0.003, 1) * np.minimum((t[-1] - t) / 0.05, 1)
            )
    return tape, rng.standard_normal((tracks, frames)) * AMPLIFIER


def _words(x: np.ndarray) -> np.ndarray:
    return (np.clip(np.rint(x * 2**23), -(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)


def _outcome(x: np.ndarray, sheet: Sheet = PLAIN, rate_hz: int = RATE) -> PartOutcome:
    return taped(x, rate_hz, sheet)


def _asked(outcome: PartOutcome) -> list[Finding]:
    return [f for f in outcome.findings if f.verdict is not Verdict.CLEAR]


def _lifted(x: np.ndarray, at: int, frames: int, distance_um: float) -> np.ndarray:
    """Spacing loss, 54.6 dB x distance / wavelength at 38.1 cm/s (reference texts on recording)."""
    margin = 2048
    piece = x[at - margin : at + frames + margin]
    f = np.fft.rfftfreq(len(piece), 1 / RATE)
    loss = 54.6 * distance_um / (381_000.0 / np.maximum(f, 1e-3))
    dull = np.fft.irfft(np.fft.rfft(piece) * 10 ** (-loss / 20), len(piece))
    edge = np.clip(np.minimum(np.arange(frames), np.arange(frames)[::-1]) / 24.0, 0, 1)
    out = x.copy()
    out[at : at + frames] += edge * (dull[margin:-margin] - out[at : at + frames])
    return out


def test_clean_programme_asks_for_nothing() -> None:
    tape, amplifier = _parts(8.0, 3)
    outcome = _outcome(_words(tape + amplifier))
    assert _asked(outcome) == []
    first, last = outcome.programme[0][0], outcome.programme[-1][1]
    assert first == pytest.approx(1.0 * RATE, abs=0.2 * RATE)
    assert last == pytest.approx(7.0 * RATE, abs=0.6 * RATE)


@pytest.mark.parametrize(("ms", "um"), [(5, 20.0), (20, 10.0), (100, 20.0)])
def test_a_lift_is_found_at_its_place(ms: int, um: float) -> None:
    tape, amplifier = _parts(8.0, 2)
    at, frames = round(3.2 * RATE), round(ms * RATE / 1000)
    tape[1] = _lifted(tape[1], at, frames, um)
    (found,) = _asked(_outcome(_words(tape + amplifier)))
    assert (found.kind, found.tracks) == ("contact-loss", (1,))
    assert found.start_frame == pytest.approx(at, abs=0.005 * RATE)
    assert found.frames == pytest.approx(frames, abs=0.006 * RATE)
    assert found.remedy is Remedy.REPLAY
    assert found.verdict is Verdict.LISTEN or ms >= 30


def test_a_long_deep_lift_in_programme_is_redo_unless_noise_reduction_may_explain_it() -> None:
    tape, amplifier = _parts(8.0, 2)
    bright = np.random.default_rng(4).standard_normal(4 * RATE) * 0.004
    tape[0, 2 * RATE : 6 * RATE] += bright * np.sin(np.linspace(0, np.pi, len(bright)))
    tape[0] = _lifted(tape[0], round(3.45 * RATE), round(0.1 * RATE), 20.0)
    x = _words(tape + amplifier)
    assert [f.verdict for f in _asked(_outcome(x))] == [Verdict.REDO]
    rest, noise = _parts(8.0, 2, lead_s=9.0)  # nothing plays: nothing was lost
    rest[0] = _lifted(rest[0], round(3.45 * RATE), round(0.1 * RATE), 20.0)
    decoded = Sheet(tape=Tape(noise_reduction=NoiseReduction.DECODED))
    assert [f.verdict for f in _asked(_outcome(_words(rest + noise), decoded))] == [Verdict.LISTEN]


def test_a_rest_is_no_lift() -> None:
    """Programme that stops for 60 ms falls to the hiss, never below it."""
    tape, amplifier = _parts(8.0, 2)
    rng = np.random.default_rng(5)
    loud = rng.standard_normal(tape.shape) * 0.02
    loud[:, : 2 * RATE] = loud[:, 6 * RATE :] = 0
    loud[:, 4 * RATE : 4 * RATE + round(0.06 * RATE)] = 0
    assert [f.kind for f in _asked(_outcome(_words(tape + loud + amplifier)))] == []


def test_a_clogging_head_and_a_lost_signal_are_told_apart() -> None:
    tape, amplifier = _parts(10.0, 3)
    at = 4 * RATE
    tape[1] = _lifted(np.pad(tape[1], (0, 4096)), at, tape.shape[1] - at, 8.0)[: tape.shape[1]]
    (clog,) = _asked(_outcome(_words(tape + amplifier)))
    assert (clog.kind, clog.tracks, clog.verdict) == ("hf-loss", (1,), Verdict.LISTEN)
    tape, amplifier = _parts(10.0, 3)
    tape[2, at:] = 0.0
    x = _words(tape + amplifier)
    (lost,) = _asked(_outcome(x))
    assert (lost.kind, lost.tracks, lost.verdict) == ("signal-lost", (2,), Verdict.REDO)
    assert lost.start_frame == pytest.approx(at, abs=0.4 * RATE)
    unknown = Sheet(tape=Tape(noise_reduction=NoiseReduction.UNKNOWN))
    assert [f.verdict for f in _asked(_outcome(x, unknown))] == [Verdict.REDO]  # cut in a note
    tape[2, at - RATE // 2 : at] = np.random.default_rng(9).standard_normal(RATE // 2) * HISS
    x = _words(tape + amplifier)
    assert [f.verdict for f in _asked(_outcome(x, unknown))] == [Verdict.LISTEN]  # in a rest


def test_a_quieter_punch_in_is_nothing() -> None:
    """Bulk-erased tape is 3 to 4 dB quieter (common practice)."""
    tape, amplifier = _parts(10.0, 3, lead_s=11.0)
    tape[1, 4 * RATE : 7 * RATE] *= 10 ** (-3.5 / 20)
    assert _asked(_outcome(_words(tape + amplifier))) == []


def test_run_in_leader_and_run_out_are_notes_and_gate_the_tape_findings() -> None:
    tape, amplifier = _parts(12.0, 3, lead_s=2.0)
    for start, stop in ((0.0, 1.0), (6.0, 7.5), (11.0, 12.0)):
        tape[:, round(start * RATE) : round(stop * RATE)] = 0.0
    before = slice(round(4.5 * RATE), 6 * RATE)  # nobody plays where leader begins
    tape[:, before] = np.random.default_rng(2).normal(0.0, HISS, tape[:, before].shape)
    outcome = _outcome(_words(tape + amplifier))
    assert {f.kind for f in outcome.findings} <= {"no-tape"}
    notes = [(f.start_frame or 0, (f.start_frame or 0) + (f.frames or 0)) for f in outcome.findings]
    assert [f.values["state"] for f in outcome.findings] == ["standing", "leader", "standing"]
    for (first, last), (start, stop) in zip(notes, ((0, 1), (6, 7.5), (11, 12)), strict=True):
        assert first == pytest.approx(start * RATE, abs=0.2 * RATE)
        assert last == pytest.approx(stop * RATE, abs=0.2 * RATE)


def test_captures_that_begin_or_end_in_the_midst() -> None:
    tape, amplifier = _parts(10.0, 2)
    x = _words(tape + amplifier)
    (start,) = _asked(_outcome(x[:, round(1.9 * RATE) :]))
    assert (start.kind, start.verdict, start.start_frame) == ("cut-start", Verdict.LISTEN, 0)
    (end,) = _asked(_outcome(x[:, : 5 * RATE]))
    assert (end.kind, end.verdict, end.start_frame) == ("cut-end", Verdict.LISTEN, 5 * RATE - 1)


def test_a_declared_line_up_may_begin_and_end_as_it_likes() -> None:
    lineup = replace(PLAIN, reel=Reel(kind=ReelKind.LINEUP))
    tape, amplifier = _parts(10.0, 2)
    whole = _words(tape + amplifier)
    for x, kind in (
        (whole[:, round(1.9 * RATE) :], "cut-start"),
        (whole[:, : 5 * RATE], "cut-end"),
        (_words(np.pad(tape, ((0, 0), (4 * RATE, 0))) + _parts(14.0, 2)[1]), "no-tape"),
    ):
        assert [f.kind for f in _outcome(x).findings] == [kind]
        assert _outcome(x, lineup).findings == ()


def test_tracks_of_other_kinds_are_excused() -> None:
    tape, amplifier = _parts(8.0, 2)
    tape[1] = _lifted(tape[1], round(3.2 * RATE), round(0.05 * RATE), 20.0)
    sheet = Sheet(
        tracks=(TrackEntry(), TrackEntry(kind=TrackKind.TIMECODE)),
        tape=Tape(noise_reduction=NoiseReduction.NONE),
    )
    assert _asked(_outcome(_words(tape + amplifier), sheet)) == []


def test_order_and_polarity_of_tracks_change_nothing_else() -> None:
    tape, amplifier = _parts(6.0, 2)
    tape[0] = _lifted(tape[0], round(3.2 * RATE), round(0.05 * RATE), 20.0)
    x = _words(tape + amplifier)
    (plain,) = _asked(_outcome(x))
    (turned,) = _asked(_outcome(-x[::-1]))
    assert turned.tracks == (1,)
    assert (turned.kind, turned.start_frame) == (plain.kind, plain.start_frame)


_TAPE, _AMPLIFIER = _parts(4.0, 2, seed=7)
_TAPE[1] = _lifted(_TAPE[1], round(2.1 * RATE), round(0.03 * RATE), 20.0)
_CUT_ME = _words(_TAPE + _AMPLIFIER)


class _Alone:
    """The tape half as a check of its own."""

    def __init__(self, context: Context) -> None:
        self._part = TapePart(context.fmt, context.sheet, DropoutsLimits())

    def feed(self, block: Block) -> None:
        self._part.feed(block)

    def finish(self) -> PartOutcome:
        return self._part.finish()


def _fed(pieces: Sequence[np.ndarray]) -> object:
    context = Context(fmt=CaptureFormat(rate_hz=RATE, channels=2, word_length=24), sheet=PLAIN)
    run = SamplePass(context, [Check("tape", lambda c: _Alone(c))])  # type: ignore[arg-type,return-value]
    for piece in pieces:
        run.feed(piece)
    return run.finish()["tape"]


@settings(max_examples=6, deadline=None)
@given(cuts=st.lists(st.integers(0, _CUT_ME.shape[1]), max_size=5))
def test_cuts_of_the_stream_change_nothing(cuts: list[int]) -> None:
    assert _fed(np.split(_CUT_ME, sorted(cuts), axis=1)) == _fed([_CUT_ME])


@pytest.mark.parametrize("rate_hz", [1, 1_234, 8_000, 44_100, 352_800, 3_000_000])
@pytest.mark.parametrize("frames", [0, 1, 127, 50_000])
def test_odd_rates_and_lengths(rate_hz: int, frames: int) -> None:
    x = np.random.default_rng(0).integers(-(2**20), 2**20, (2, frames), np.int32)
    _outcome(x, rate_hz=rate_hz)


@pytest.mark.parametrize("value", [0, 2**31 - 1, -(2**31)])
def test_constant_captures(value: int) -> None:
    assert _asked(_outcome(np.full((3, 90_000), value, np.int32))) == []


def test_floats_that_are_no_numbers() -> None:
    x = np.random.default_rng(0).standard_normal((64, 40_000)).astype(np.float32) * 1e-3
    x[0, ::7], x[1, ::5], x[2], x[3] = np.nan, np.inf, 1e-42, -np.inf
    _outcome(x)
