"""Machines that stand before and behind the tape, and whose own noise is heard there."""

from __future__ import annotations

import numpy as np
import pytest
from taping import taped

from checks.model import Samples, Verdict

RATE = 48_000
START, FIRST, STOP, END = (round(s * RATE) for s in (1.2, 4.2, 9.0, 13.0))


def _stops(under_db: float, tracks: int = 4) -> Samples:
    """Notes over hiss; the tape starts and stops within 50 ms, on a note.

    Hiss is lifted by a replay equaliser of 35 us (IEC 60094-1); the amplifier is white, so far
    under it around 12 kHz (common practice: 8 to 12 dB).
    """
    rng = np.random.default_rng(19)
    f = np.fft.rfftfreq(END, 1 / RATE)
    lifted = np.hypot(1.0, 2 * np.pi * f * 35e-6)
    white = np.fft.rfft(rng.standard_normal((tracks, END)))
    tape = np.fft.irfft(white * lifted, END) * 10 ** (-72 / 20)
    t = np.arange(END) / RATE
    for k in range(tracks):
        for n, at in enumerate(np.arange(FIRST + 3_000 * k, STOP, RATE // 2)):
            since = t[at:] - t[at]
            note = np.sin(2 * np.pi * (1_200 + 90 * ((n + k) % 5)) * since)
            tape[k, at:] += 0.2 * note * np.exp(-since / 0.15) * np.minimum(since / 0.003, 1.0)
    ramp = RATE // 20
    runs = np.clip((np.arange(END) - START) / ramp, 0.0, 1.0)
    runs *= np.clip(1.0 - (np.arange(END) - STOP) / ramp, 0.0, 1.0)
    level = -72 + 20 * np.log10(np.interp(12_000, f, lifted)) - under_db
    own = rng.standard_normal((tracks, END)) * 10 ** (level / 20)
    x = tape * runs + own
    return np.asarray(np.rint(x * 2**23).astype(np.int64) << 8, np.int32)


@pytest.mark.parametrize("under_db", [8.0, 12.0])
def test_a_tape_that_stops_on_a_note_is_told_though_the_amplifier_covers_its_hiss_below(
    under_db: float,
) -> None:
    """In the body of the sound little hiss stands over the amplifier's noise."""
    found = taped(_stops(under_db), RATE).findings
    notes = [f for f in found if f.kind == "no-tape"]
    assert [f.start_frame for f in notes] == pytest.approx([0, STOP], abs=0.15 * RATE)
    (asked,) = [f for f in found if f.kind == "cut-end"]
    assert asked.start_frame == pytest.approx(STOP, abs=0.15 * RATE)


def test_a_track_that_stands_as_loud_as_others_hiss_does_not_hiss_on() -> None:
    """Gains differ: by as much as its amplifier lies under its hiss, which is down with theirs."""
    x = _stops(12.0) // 8
    x[0] = x[0] * round(10 ** (12 / 20))
    asked = [f for f in taped(x, RATE).findings if f.verdict is not Verdict.CLEAR]
    assert [(f.kind, f.tracks) for f in asked] == [("cut-end", (0, 1, 2, 3))]


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_the_loud_hiss_of_a_track_turned_up_is_no_programme_that_breaks_off(rate_hz: int) -> None:
    """Louder than what is taken for a tape's; the tape stops 1.5 s behind the last note."""
    rng, t = np.random.default_rng(3), np.arange(11 * rate_hz) / rate_hz
    tape = rng.standard_normal((3, len(t))) * 10 ** (-60 / 20)
    tape += 0.03 * np.sin(2 * np.pi * 440 * t) * (np.sin(2 * np.pi * 0.9 * t) > 0) * (t < 8)
    x = tape * ((t > 1.2) & (t < 9.5)) + rng.standard_normal(tape.shape) * 10 ** (-72 / 20)
    x[2] *= 10 ** (26 / 20)
    told = taped((np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32), rate_hz).findings
    assert [f.kind for f in told if f.kind != "not-judged"] == ["no-tape", "no-tape"]
