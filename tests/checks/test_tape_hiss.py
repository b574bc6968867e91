"""What the tape half needs before it speaks: a floor that behaves as the hiss of a tape."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import soundfile
from damage_tape import clog
from synth import programme
from taping import taped

from checks.dropouts._tape._bands import FilterBank
from checks.dropouts._tape._contact import PART_HOPS, Screen
from checks.dropouts._tape._floors import PARTS, LevelHistory
from checks.dropouts._tape._lasting import Fall, falls, is_flat
from checks.dropouts._tape._motion import course
from checks.dropouts._tape._others import is_under
from checks.model import Finding, Samples
from checks.sheet import NoiseReduction, Sheet, Tape

RATE = 96_000
PLAIN = Sheet(tape=Tape(speed_cm_s=38.1, noise_reduction=NoiseReduction.NONE))
CORPUS = Path(__file__).resolve().parents[2] / "../shared/corpus"


def _found(x: Samples, rate_hz: int = RATE, word_length: int = 24) -> list[Finding]:
    found = taped(x, rate_hz, PLAIN, word_length=word_length).findings
    return [f for f in found if f.kind not in ("cut-start", "cut-end", "no-tape")]


def _words(x: np.ndarray) -> Samples:
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


# Music from digital sources, without a tape's hiss: nothing there can have lifted from a head.
@pytest.mark.parametrize("name", ["containers/flac_35467hz.flac", "wordlength/piano_A4_24bit.flac"])
def test_music_that_never_was_on_tape_loses_no_contact(name: str) -> None:
    if not (CORPUS / name).exists():
        pytest.skip("the corpus of public files is not beside the project")
    data, rate_hz = soundfile.read(CORPUS / name, dtype="int32", always_2d=True)
    assert _found(np.ascontiguousarray(data.T), rate_hz) == []


@pytest.mark.parametrize("seed", range(3))
def test_noise_that_swells_and_fades_without_a_floor_is_music(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames = 8 * RATE
    knots = np.cumsum(rng.choice([-25.0, -15.0, 15.0, 25.0], 64))
    level = -60 + 25 * np.sin(knots / 20)  # dB, somewhere else every eighth of a second
    gain = 10 ** (np.interp(np.arange(frames), np.linspace(0, frames, 64), level) / 20)
    assert _found(_words(rng.standard_normal((1, frames)) * gain)) == []


def test_a_converters_noise_is_no_hiss_of_tape() -> None:
    x = np.random.default_rng(1).standard_normal((2, 6 * RATE)) * 1e-6  # -120 dB
    x[0, 3 * RATE : 3 * RATE + RATE // 50] *= 0.2
    assert _found(_words(x)) == []
    loud = _words(x * 300)  # -70 dB: the same on a tape
    assert {f.kind for f in _found(loud)} <= {"level-dip", "contact-loss"} != set()


def test_a_lift_is_seen_within_a_quieter_moment_of_music_that_covers_the_hiss() -> None:
    bank = FilterBank(RATE, 1)
    level = np.full(4096, 10.0)  # music
    level[2000:2200] = 3.0  # for a moment quieter
    level[2080:2094] = 0.03  # and the lift
    energies = np.random.default_rng(1).exponential(1.0, (bank.bands, 1, 4096)) * level
    energies = energies.astype(np.float32)
    parts = energies.reshape(bank.bands, 1, -1, PART_HOPS).mean(axis=3)
    swing = np.zeros(energies.shape[1:], np.float32)
    found = Screen(bank, 0.35).look(energies, swing, parts, 0, 4096)
    assert [(c.start, c.hops) for c in found if c.hops < 100] == [
        (pytest.approx(2080, abs=3), pytest.approx(14, abs=5))
    ]


def test_zeros_between_hiss_are_no_lift_and_no_division_by_nothing() -> None:
    x = _words(np.random.default_rng(1).standard_normal((2, 4 * RATE)) * 2e-4)
    x[:, 2 * RATE : 2 * RATE + RATE // 20] = 0
    assert _found(x) == []


def test_a_clogged_head_of_the_only_track_is_no_stopped_tape() -> None:
    x = programme("piano", rate_hz=88_200, tracks=1, seconds=12.0, seed=5008)
    clogged = clog(x, rate_hz=88_200, at=round(4.82 * 88_200), ramp=1, distance_um=10.0)
    kinds = {f.kind for f in taped(clogged.samples, 88_200, PLAIN).findings}
    assert "hf-loss" in kinds
    assert "no-tape" not in kinds


def test_a_signal_lost_under_a_body_that_never_rested_is_lost_in_the_body_too() -> None:
    rng = np.random.default_rng(2)
    steady = rng.chisquare(64, (9, 2, 92 * PARTS)) / 64
    parts = np.full((9, 2, 92 * PARTS), 1e-5)  # hiss of -50 dB a band
    parts[:2, :, ::3] = 1e-2  # and above it a body that never rests long
    gone = 48 * PARTS + 3  # within an entry
    parts[:, 0, gone:] = 1e-10
    history = LevelHistory(9, 2)
    history.append((parts * steady).astype(np.float32))
    history.close()
    (fall,) = falls(history, course(history, [0, 1], 0.093), 0, 4.0)
    assert fall.mean_db == pytest.approx(50.0, abs=1.0)
    assert fall.fall_db[:2] == pytest.approx([50.0, 50.0], abs=2.0)
    assert is_flat(fall)


def _behind_a_dull_amplifier(kind: str, um: float | None) -> list[Finding]:
    """Track 2 clogs at 5 s, or is lost (None). The hiss falls off above 20 kHz; -78 dBFS of noise
    behind it."""
    rate = 96_000
    x = programme(kind, rate_hz=rate, tracks=2, seconds=9.0, seed=3, hiss_dbfs=-62.0) / 2.0**31
    f = np.fft.rfftfreq(x.shape[1], 1 / rate)
    x = np.fft.irfft(np.fft.rfft(x) / (1 + (f / 22_000) ** 8), x.shape[1])
    clogged = np.zeros(x.shape[1])
    if um is not None:  # spacing loss: 54.6 dB x distance / wavelength
        loss_db = 54.6 * um * 1e-6 * f / 0.381
        clogged = np.fft.irfft(np.fft.rfft(x[1]) * 10 ** (-loss_db / 20), x.shape[1])
    x[1, 5 * rate :] = clogged[5 * rate :]
    x += np.random.default_rng(8).normal(0, 10 ** (-78 / 20), x.shape)
    return [g for g in _found(_words(x), rate) if g.kind != "contact-loss"]


@pytest.mark.parametrize("kind", ["drums", "plucks", "speech"])
@pytest.mark.parametrize("um", [None, 8.0])
def test_the_amplifiers_noise_may_cover_the_treble_of_the_hiss(kind: str, um: float | None) -> None:
    (found,) = _behind_a_dull_amplifier(kind, um)
    assert (found.kind, found.tracks) == ("signal-lost" if um is None else "hf-loss", (1,))
    late = 0.2 if um is None else 1.2  # programme may cover the first second of a clog
    assert abs((found.start_frame or 0) / 96_000 - 5.0) < late


def test_other_tracks_tell_what_the_tape_hisses() -> None:
    fell = np.array([5.0, 9.0, 10.4, 9.6, 8.1, 6.2, 3.9], np.float32)
    fall = Fall(track=1, first=41, last=105, seen=105, since=41, full=41, slides=False,
                open_end=True, fall_db=fell,
                after=np.full(7, -77.7, np.float32), before_db=-70.0, after_db=-77.7, mean_db=7.7,
                plays=0.1, quieter_db=np.nan, steady=0.5, slow=False, fades=False,
                faded=False, rested=True)  # fmt: skip
    assert is_under(fall, _tracks(-68.8, -69.5, np.nan))
    assert is_under(fall, _tracks(-73.0))
    assert not is_under(fall, _tracks(-76.0))
    assert is_under(fall, [])
    # One track that rests tells what the tape hisses; those that play may lie over theirs.
    rest = dataclasses.replace(fall, plays=0.0)
    assert not is_under(rest, _tracks(-77.0, -30.0, -31.0, -40.0, -77.5))
    assert is_under(rest, _tracks(-77.0, -68.0, -69.0, -68.0, -69.5))  # one that is dead


def _tracks(*hiss_db: float) -> list[np.ndarray]:
    return [np.full(7, db, np.float32) for db in hiss_db]


def test_a_fade_out_at_the_desk_is_no_loss() -> None:
    """All tracks are turned down, hiss and all."""
    x = programme("organ", rate_hz=RATE, tracks=3, seconds=8.0, seed=3, hiss_dbfs=-62.0) / 2.0**31
    down = np.clip((6 * RATE - np.arange(x.shape[1])) / (1.5 * RATE) + 1, 1e-4, 1) ** 2
    x = x * down + np.random.default_rng(8).normal(0, 10 ** (-110 / 20), x.shape)
    assert not {f.kind for f in _found(_words(x))} & {"hf-loss", "signal-lost"}
