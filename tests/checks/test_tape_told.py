"""How losses are told: as cut off where that is proven, once for all tracks; and zeros as zeros."""

from __future__ import annotations

import numpy as np
import pytest
from dropouts_kit import of, run
from numpy.typing import NDArray
from synth import programme

from checks.model import Finding, Samples, Verdict

RATE = 48_000
AT = 5 * RATE


def _words(x: NDArray[np.float64]) -> Samples:
    words = np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64)
    return np.asarray(words << 8, np.int32)


def _parts(kind: str, tracks: int, *, hiss_db: float = -60.0) -> tuple[NDArray[np.float64], ...]:
    """Programme without hiss, hiss, and electronics of -72 dBFS."""
    rng = np.random.default_rng(3)
    x = programme(kind, rate_hz=RATE, tracks=tracks, seconds=10.0, seed=2, hiss_dbfs=-110.0)
    hiss, bare = rng.standard_normal((2, *x.shape))
    return x / 2.0**31, 10 ** (hiss_db / 20) * hiss, 10 ** (-72 / 20) * bare


def _goes(length: int, seconds: float, *, to: float = 0.0) -> NDArray[np.float64]:
    """Gain that falls from 1 at AT, by a part of e in ``seconds``, ``to`` what is left."""
    t = np.maximum(np.arange(length) - AT, 0) / RATE
    return to + (1.0 - to) * np.exp(-t / seconds)


def _lost(x: NDArray[np.float64]) -> Finding:
    (found,) = of(run(_words(x), RATE), "signal-lost")
    return found


@pytest.mark.parametrize("kind", ["drums", "plucks", "speech"])
@pytest.mark.parametrize("tracks", [(1,), (0, 2)])
def test_programme_cut_off_with_its_hiss_is_lost_whatever_the_noise_reduction(
    kind: str, tracks: tuple[int, ...]
) -> None:
    played, hiss, bare = _parts(kind, 3)
    tone = 0.2 * np.sin(np.arange(RATE) / 23)
    played[list(tracks), AT - RATE // 2 : AT + RATE // 2] = tone  # it plays where it is cut
    tape = played + hiss
    tape[list(tracks)] *= _goes(tape.shape[1], 0.0007)  # 50 dB in 4 ms
    found = _lost(tape + bare)
    assert (found.verdict, found.tracks) == (Verdict.REDO, tracks)


@pytest.mark.parametrize("release_s", [0.03, 0.1])
@pytest.mark.parametrize("kind", ["drums", "speech"])
def test_a_note_that_a_machine_stops_before_a_decoder_lets_go_is_not_cut_off(
    kind: str, release_s: float
) -> None:
    """Common practice: decoders take tens of milliseconds to let the hiss down."""
    played, hiss, bare = _parts(kind, 3)
    played[1, AT - RATE // 2 :] = 0.2 * np.sin(np.arange(played.shape[1] - AT + RATE // 2) / 23)
    played[1] *= _goes(played.shape[1], 0.0007)
    hiss[1] *= _goes(hiss.shape[1], release_s, to=0.1)
    found = _lost(played + hiss + bare)
    assert (found.verdict, found.tracks) == (Verdict.LISTEN, (1,))


@pytest.mark.parametrize(
    ("kind", "fall_db"),
    [("brass", 16), ("brass", 24), ("organ", 16), ("drums", 24), ("speech", 24)],
)
def test_a_level_that_falls_for_good_is_told_though_the_track_plays_on(
    kind: str, fall_db: float
) -> None:
    played, hiss, bare = _parts(kind, 3)
    tape = played + hiss
    tape[2] *= _goes(tape.shape[1], 0.001, to=10 ** (-fall_db / 20))
    found = _lost(tape + bare)
    assert (found.verdict, found.tracks) == (Verdict.LISTEN, (2,))
    assert abs((found.start_frame or 0) - AT) < RATE


@pytest.mark.parametrize("kind", ["plucks", "drums", "speech"])
def test_a_track_that_is_played_more_softly_has_lost_nothing(kind: str) -> None:
    played, hiss, bare = _parts(kind, 3)
    played[2] *= _goes(played.shape[1], 0.001, to=0.06)
    assert not of(run(_words(played + hiss + bare), RATE), "signal-lost")


@pytest.mark.parametrize("zeros", [(0, RATE), (4 * RATE, 5 * RATE), (9 * RATE, 10 * RATE)])
def test_zeros_are_no_machine_that_stands_still(zeros: tuple[int, int]) -> None:
    played, hiss, bare = _parts("drums", 2)
    x = played + hiss
    x[:, slice(*zeros)] = 0
    notes = {f.kind for f in run(_words(x + bare), RATE).findings}
    assert notes & {"no-tape", "signal-lost"}
    words = _words(x + bare)
    words[:, slice(*zeros)] = 0
    notes = {f.kind for f in run(words, RATE).findings}
    assert not notes & {"no-tape", "signal-lost"}
    assert notes & {"zero-run", "digital-silence", "unfinalised"}
