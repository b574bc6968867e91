"""What the tests of the clipping check share: running it, words of any length, small signals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.clipping import ClippingLimits, ClippingPass
from checks.measures import ClippingLine
from checks.model import CaptureFormat, Finding, Outcome, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet

Floats = NDArray[np.float64]


def check(
    x: NDArray[Any],
    rate_hz: int,
    *,
    word_length: int = 24,
    sheet: Sheet | None = None,
    limits: ClippingLimits | None = None,
    cuts: Sequence[int] = (),
) -> Outcome:
    """The outcome for (tracks, frames) samples, int32 or float, fed in pieces."""
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=len(x),
        word_length=word_length,
        floating=x.dtype.kind == "f",
        frames=x.shape[1],
    )

    def start(context: Context) -> ClippingPass:
        return ClippingPass(context.fmt, context.sheet, limits or ClippingLimits())

    run = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), checks=[Check("clipping", start)])
    for piece in np.split(x, sorted(min(c, x.shape[1]) for c in cuts), axis=1):
        run.feed(piece)
    return run.finish()["clipping"]


def words(x: Floats, bits: int = 24) -> NDArray[np.int32]:
    """Left-justified words of ``bits`` bits; clips at +max and at negative full scale."""
    steps = np.clip(np.rint(np.atleast_2d(x) * 2.0 ** (bits - 1)), -(2.0 ** (bits - 1)), None)
    steps = np.minimum(steps, 2.0 ** (bits - 1) - 1).astype(np.int64)
    return (steps << (32 - bits)).astype(np.int32)


def asking(outcome: Outcome) -> list[tuple[str, str, tuple[int, ...]]]:
    """Kind, verdict and tracks of what asks for something."""
    return [
        (f.kind, str(f.verdict), f.tracks)
        for f in outcome.findings
        if f.verdict is not Verdict.CLEAR
    ]


def only(outcome: Outcome, kind: str) -> Finding:
    (found,) = [f for f in outcome.findings if f.kind == kind]
    return found


def lines(outcome: Outcome) -> Sequence[ClippingLine]:
    return tuple(outcome.measures.tracks)


def tone(rate_hz: int, hz: float, amplitude: float, seconds: float = 0.5) -> Floats:
    # frequencies a little off, as a tape plays them: no sample repeats another period's
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(rate_hz * seconds)) / rate_hz + 0.1)


def high_passed(x: Floats, hz: float, rate_hz: int) -> Floats:
    """A coupling capacitor: first order, by its impulse response in the frequency domain."""
    size = 1 << (2 * len(x)).bit_length()
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    response = 1j * f / (1j * f + hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(x, size) * response, size)[: len(x)])


def low_passed(x: Floats, hz: float, rate_hz: int) -> Floats:
    size = 1 << (2 * len(x)).bit_length()
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(x, size) / (1 + 1j * f / hz), size)[: len(x)])


def programme(seed: int, rate_hz: int, seconds: float = 0.5) -> Floats:
    """Plucked partials with noise, peak 1.0."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(rate_hz * seconds)) / rate_hz
    x = np.zeros(len(t))
    for start in np.arange(0, seconds, 0.11):
        f = rng.uniform(80, 900)
        late = np.clip(t - start, 0, None)
        for partial in range(1, 9):
            x += (
                rng.uniform(0.3, 1) / partial * (late > 0) * np.exp(-late * 6 * partial**0.5)
                * np.sin(2 * np.pi * f * partial * late)
            )  # fmt: skip
    x += 3e-4 * rng.standard_normal(len(t))
    return x / np.abs(x).max()
