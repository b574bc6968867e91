"""Tape far off the head while somebody plays: what is left lies at the noise of the electronics.

Planted is the spacing loss, 54.6 dB times distance over wavelength (20 log10 e^(2 pi); reference
texts on magnetic recording), over an amplifier 12 dB under the hiss (common practice: 8 to 12).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from damage_tape import clog, contact_loss, signal_lost
from synth import programme
from taping import taped

from checks.dropouts._part import PartOutcome
from checks.dropouts._tape._bands import HISS
from checks.dropouts._tape._losses import lost_there
from checks.model import Finding, Samples, Verdict

RATE = 48_000
SECONDS = 14.0


@cache
def bed(kind: str) -> Samples:
    return programme(kind, rate_hz=RATE, tracks=3, seconds=SECONDS, seed=5, hiss_dbfs=-60.0)


def _lift(x: Samples, at_s: float, long_s: float, um: float, *tracks: int) -> Samples:
    at, frames = round(at_s * RATE), round(long_s * RATE)
    return contact_loss(
        x, rate_hz=RATE, at=at, frames=frames, distance_um=um, tracks=tracks or None, seed=3,
        floor_dbfs=-72.0,
    ).samples  # fmt: skip


def _asked(outcome: PartOutcome) -> list[Finding]:
    assert not [f for f in outcome.findings if f.kind == "not-judged"]
    return [f for f in outcome.findings if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize("kind", ["piano", "plucks", "brass"])
@pytest.mark.parametrize(("long_s", "tracks"), [(1.0, (0, 1, 2)), (3.0, (0, 1, 2)), (4.0, (1,))])
def test_a_long_wide_lift_is_no_floor_of_the_tape(
    kind: str, long_s: float, tracks: tuple[int, ...]
) -> None:
    assert _asked(taped(bed(kind), RATE)) == []
    (found,) = _asked(taped(_lift(bed(kind), 6.0, long_s, 120.0, *tracks), RATE))
    assert found.kind in ("contact-loss", "hf-loss", "signal-lost")
    assert found.tracks == tracks
    assert abs((found.start_frame or 0) / RATE - 6.0) < 0.2
    assert abs((found.frames or 0) / RATE - long_s) < 0.2


def test_it_is_to_be_played_again_where_the_body_of_the_sound_goes_as_well() -> None:
    outcome = taped(_lift(bed("piano"), 6.0, 1.0, 120.0), RATE)
    (found,) = _asked(outcome)
    assert (found.kind, found.verdict.value) == ("contact-loss", "redo")
    assert outcome.counts["contact_losses"] == [1, 1, 1]
    assert 12.0 <= found.values["hiss_fall_db"] <= 14.0  # type: ignore[operator]


@pytest.mark.parametrize("db", [20.0, 30.0])
def test_a_track_that_is_nearly_gone_for_a_while_is_told_though_little_is_heard_meanwhile(
    db: float,
) -> None:
    """All of it falls, hiss too, between the tape and the amplifier, which goes on."""
    x = bed("brass").astype(np.float64)
    x[1, 6 * RATE : 10 * RATE] *= 10 ** (-db / 20)
    x += 10 ** (-72 / 20) * 2.0**31 * np.random.default_rng(1).standard_normal(x.shape)
    (found,) = _asked(taped((np.rint(x / 256).astype(np.int32)) << 8, RATE))
    assert (found.kind, found.verdict, found.tracks) == ("contact-loss", Verdict.REDO, (1,))
    assert abs((found.start_frame or 0) / RATE - 6.0) < 0.5


@pytest.mark.parametrize("kind", ["piano", "plucks"])
def test_a_long_lift_hides_no_other(kind: str) -> None:
    x = _lift(bed(kind), 6.0, 1.0, 120.0)
    told = _asked(taped(_lift(x, 9.5, 0.06, 25.0, 2), RATE))
    places = [(f.kind, round((f.start_frame or 0) / RATE, 1), f.tracks) for f in told]
    assert ("contact-loss", 9.5, (2,)) in places
    assert ("contact-loss", 6.0, (0, 1, 2)) in places


@pytest.mark.parametrize(
    ("kind", "first_s", "second_s"), [("piano", 3.0, 6.0), ("brass", 5.0, 9.0)]
)
def test_two_long_lifts_do_not_hide_each_other(kind: str, first_s: float, second_s: float) -> None:
    x = _lift(_lift(bed(kind), first_s, 1.0, 120.0), second_s, 1.5, 120.0)
    told = _asked(taped(x, RATE))
    gone = ("signal-lost", "listen", (0, 1, 2))  # a lift in a rest that leaves nothing of the body
    assert {(f.kind, f.verdict.value, f.tracks) for f in told} - {gone} == {
        ("contact-loss", "redo", (0, 1, 2))
    }
    starts_s = [(f.start_frame or 0) / RATE for f in told]
    assert starts_s[-1] == pytest.approx(second_s, abs=0.2)
    assert kind != "piano" or starts_s[0] == pytest.approx(first_s, abs=0.2)
    assert min(abs((f.start_frame or 0) / RATE - second_s) for f in told) < 0.2


@pytest.mark.parametrize("kind", ["piano", "plucks"])
def test_gaps_of_a_relay_do_not_hide_each_other(kind: str) -> None:
    x = bed(kind).copy()
    gaps = [(5.0, 0.3), (6.1, 0.13), (7.3, 0.31), (8.6, 0.21), (9.4, 0.29)]
    for at_s, long_s in gaps:
        first, last = round(at_s * RATE), round((at_s + long_s) * RATE)
        lost = signal_lost(x, rate_hz=RATE, at=first, tracks=(1,), floor_dbfs=-72.0, seed=first)
        x[1, first:last] = lost.samples[1, first:last]
    told = _asked(taped(x, RATE))
    assert {f.tracks for f in told} == {(1,)}
    assert [round(at / RATE, 1) for at in sorted(at for f in told for at in f.starts)] == [
        at_s for at_s, _ in gaps
    ]


@pytest.mark.parametrize(
    ("kind", "long_s", "apart_s"), [("piano", 0.25, 0.4), ("piano", 0.3, 0.5), ("plucks", 0.3, 0.5)]
)
def test_gaps_in_quick_succession_are_no_other_hiss(
    kind: str, long_s: float, apart_s: float
) -> None:
    x = bed(kind).copy()
    places = 5.0 + (long_s + apart_s) * np.arange(6)
    for at_s in places:
        first, last = round(at_s * RATE), round((at_s + long_s) * RATE)
        lost = signal_lost(x, rate_hz=RATE, at=first, tracks=(1,), floor_dbfs=-72.0, seed=first)
        x[1, first:last] = lost.samples[1, first:last]
    told = _asked(taped(x, RATE))
    assert {f.tracks for f in told} == {(1,)}
    at = sorted(start / RATE for f in told for start in f.starts)
    assert at == pytest.approx(places, abs=0.02)


@pytest.mark.parametrize("tracks", [(1,), (0, 1, 2)])
def test_a_head_thick_with_dirt_is_told_to_the_end(tracks: tuple[int, ...]) -> None:
    x = clog(bed("brass"), rate_hz=RATE, at=6 * RATE, ramp=480, distance_um=60.0, tracks=tracks,
             floor_dbfs=-72.0, seed=4).samples  # fmt: skip
    (found,) = _asked(taped(x, RATE))
    assert (found.kind, found.tracks) == ("hf-loss", tracks)
    assert (found.start_frame or 0) + (found.frames or 0) == x.shape[1]
    assert "some of the lower frequencies goes too" in found.text


# Expected values: what the sentences of ``_losses`` say, levels made by hand.
def _levels(*parts: tuple[int, float, float]) -> np.ndarray:
    """Entries of steady noise: (how many, level of the hiss bands, of the body)."""
    hiss = np.concatenate([np.full(n, db, np.float32) for n, db, _ in parts])
    body = np.concatenate([np.full(n, db, np.float32) for n, _, db in parts])
    return np.concatenate((body[None], np.repeat(hiss[None], HISS + 3, axis=0)))


@pytest.mark.parametrize(
    ("parts", "lost"),
    [
        # a loss under programme, hiss in rests on either side of it
        ([(20, -100.0, -101.0), (10, -112.0, -80.0), (20, -100.0, -101.0)], 10),
        ([(20, -100.0, -101.0), (10, -112.0, -112.0), (20, -100.0, -101.0)], 10),
        # tape that was bulk-erased is 3 to 4 dB quieter (common practice)
        ([(20, -100.0, -101.0), (10, -104.0, -80.0), (20, -100.0, -101.0)], 0),
        # what a decoder leaves: hiss is never heard in a rest
        ([(20, -100.0, -80.0), (10, -112.0, -112.0), (20, -100.0, -80.0)], 0),
        # the quieter noise is heard for as long: which of the two is the tape's is not known
        ([(20, -100.0, -101.0), (50, -112.0, -112.0), (20, -100.0, -101.0)], 0),
        # nor at an end of the capture, nor where it lasts: that may be another tape
        ([(40, -100.0, -101.0), (10, -112.0, -80.0)], 0),
        ([(400, -100.0, -101.0), (400, -112.0, -80.0), (400, -100.0, -101.0)], 0),
        ([(400, -100.0, -101.0), (100, -112.0, -80.0), (400, -100.0, -101.0)], 100),
    ],
)
def test_hiss_is_what_is_heard_in_rests_before_and_behind(
    parts: list[tuple[int, float, float]], lost: int
) -> None:
    low = _levels(*parts)
    assert int(np.count_nonzero(lost_there(low, low + 1.2))) == lost


def _quarter(kind: str, at_s: float) -> Finding:
    """What is told of the first of two tracks that is 100 um off the head for 250 ms at 19 cm/s."""
    x = programme(kind, rate_hz=RATE, tracks=2, seconds=10.0, seed=5, hiss_dbfs=-60.0)
    dirty = contact_loss(x, rate_hz=RATE, at=round(at_s * RATE), frames=RATE // 4,
                         distance_um=100.0, speed_cm_s=19.05, tracks=(0,), floor_dbfs=-74.0,
                         seed=3)  # fmt: skip
    (found,) = _asked(taped(dirty.samples, RATE))
    return found


def test_a_gap_so_wide_that_it_takes_the_body_as_well_asks_for_another_playing() -> None:
    found = _quarter("plucks", 4.0)
    assert (found.kind, found.verdict.value) == ("contact-loss", "redo")


def test_no_more_is_said_of_a_dip_than_was_heard() -> None:
    found = _quarter("piano", 6.5)
    assert (found.kind, "All that is heard above 1 kHz" in found.text) == ("level-dip", True)
