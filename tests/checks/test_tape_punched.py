"""Dips beside a stretch of tape that was erased otherwise, and in rests where a decoder may be."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from synth import programme
from taping import taped

from checks.model import Finding, Samples, Verdict
from checks.sheet import NoiseReduction, Sheet, Tape

RATE = 48_000
PLAIN = Sheet(tape=Tape(speed_cm_s=38.1, noise_reduction=NoiseReduction.NONE))
ERASED_DB = {"little": 2.5, "bulk": 3.8}  # common practice: bulk-erased tape is 3 to 4 dB quieter


def _asked(x: Samples, sheet: Sheet) -> list[Finding]:
    return [f for f in taped(x, RATE, sheet).findings if f.verdict is not Verdict.CLEAR]


def _scaled(x: Samples, gain: NDArray[np.float64]) -> Samples:
    out = x.copy()
    out[1] = np.rint(x[1] * gain / 256).astype(np.int32) << 8
    return out


def _dipped(x: Samples, at_s: float, db: float) -> Samples:
    at, frames = round(at_s * RATE), round(0.15 * RATE)
    gain = np.ones(x.shape[1])
    gain[at : at + frames] -= (1 - 10 ** (-db / 20)) * np.hanning(frames) ** 0.5
    return _scaled(x, gain)


def _programme(kind: str) -> Samples:
    return programme(kind, rate_hz=RATE, tracks=2, seconds=14.0, seed=6, hiss_dbfs=-62.0)


@pytest.mark.parametrize("sheet", [PLAIN, Sheet()], ids=["none", "unknown"])
@pytest.mark.parametrize("erased", ERASED_DB)
@pytest.mark.parametrize(("kind", "at_s"), [("speech", 8.0), ("speech", 10.3), ("plucks", 8.0)])
def test_a_stretch_that_hisses_less_hides_no_dip(
    kind: str, at_s: float, erased: str, sheet: Sheet
) -> None:
    x = _programme(kind)
    t = np.arange(x.shape[1]) / RATE
    punched = _scaled(x, np.where((t >= 5.0) & (t < 5.7), 10 ** (-ERASED_DB[erased] / 20), 1.0))
    assert _asked(punched, sheet) == []
    (found,) = _asked(_dipped(punched, at_s, 20.0), sheet)
    assert found.kind in {"contact-loss", "level-dip"}
    assert found.tracks == (1,)
    assert (found.start_frame or 0) / RATE == pytest.approx(at_s, abs=0.06)


@pytest.mark.parametrize(("kind", "at_s"), [("speech", 8.0), ("plucks", 10.3)])
def test_a_long_dip_in_a_rest_is_no_decoders(kind: str, at_s: float) -> None:
    """Its slopes take the body of the sound down as well, below all rests."""
    (found,) = _asked(_dipped(_programme(kind), at_s, 20.0), Sheet())
    assert found.kind in {"contact-loss", "level-dip"}
    assert (found.start_frame or 0) / RATE == pytest.approx(at_s, abs=0.06)
