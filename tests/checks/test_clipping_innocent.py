"""What the clipping check must leave alone, and recordings whose state is known."""

from __future__ import annotations

from pathlib import Path

import damage
import numpy as np
import pytest
import soundfile
import synth
from clipping_kit import (
    Floats,
    asking,
    check,
    high_passed,
    lines,
    low_passed,
    programme,
    tone,
    words,
)


def square(rate_hz: int, hz: float) -> Floats:
    return np.sign(tone(rate_hz, hz, 1.0))


def biphase(rate_hz: int, bits_a_second: float = 2000.0) -> Floats:
    """Biphase-mark code of random bits (SMPTE ST 12-1): an edge at every bit, one within a 1."""
    rng = np.random.default_rng(2)
    ones = rng.integers(0, 2, round(0.6 * bits_a_second)).astype(bool)
    begin = np.arange(len(ones)) / bits_a_second
    edges = np.sort(np.concatenate((begin, begin[ones] + 0.5 / bits_a_second)))
    t = np.arange(round(0.5 * rate_hz)) / rate_hz
    return np.where(np.searchsorted(edges, t, "right") % 2, 1.0, -1.0)


def smoothed(x: Floats, us: float, rate_hz: int) -> Floats:
    n = max(1, round(us * 1e-6 * rate_hz))
    return np.convolve(x, np.ones(n) / n, "same")


def clicks(rate_hz: int, ms: float) -> Floats:
    t = np.arange(round(0.5 * rate_hz)) / rate_hz
    return (np.mod(t, 0.06) < ms * 1e-3).astype(np.float64)


def limited(x: Floats, rate_hz: int) -> Floats:
    """A look-ahead limiter: the peaks crowd at one level, but each stays round."""
    n = round(0.003 * rate_hz)
    largest = np.array([np.abs(x[max(k - n, 0) : k + n]).max() for k in range(0, len(x), n)])
    gain = np.minimum(1, 0.4 / np.repeat(largest, n)[: len(x)])
    return x * smoothed(gain, 2e6 * n / rate_hz, rate_hz)


def two_way(pulses: Floats) -> Floats:
    """Every other pulse turned round."""
    number = np.cumsum(np.diff(pulses, prepend=0.0) > 0)
    return pulses * np.where(number % 2, 1.0, -1.0)


def swelling(rate_hz: int) -> Floats:
    """A filtered square wave whose level goes up and down, to full scale once."""
    decay = np.exp(-2 * np.pi * 15_000 / rate_hz)
    x = np.convolve(square(rate_hz, 441), (1 - decay) * decay ** np.arange(64))[: rate_hz // 2]
    x *= 0.6 + 0.4 * np.sin(2 * np.pi * 3 * np.arange(len(x)) / rate_hz)
    return 0.99999 * x / np.abs(x).max()


def flattest(sine: Floats) -> Floats:
    """A tone and a ninth of its third partial: the crest of fourth order."""
    return sine + (3 * sine - 4 * sine**3) / 9


INNOCENT = {
    "sine": lambda r: 0.5 * tone(r, 997, 1.0),
    "sine, an eighth of the rate": lambda r: 0.5 * np.sin(np.pi / 4 * np.arange(r // 2) + 1.178),
    "sine, a twelfth of the rate": lambda r: 0.5 * np.sin(np.pi / 6 * np.arange(r // 2) + 1.309),
    "square": lambda r: 0.5 * square(r, 441),
    "square at full scale": lambda r: square(r, 441),
    "square, filtered": lambda r: 0.5 * low_passed(square(r, 1000), 15_000, r),
    "square, coupled": lambda r: 0.4 * high_passed(low_passed(square(r, 100), 30_000, r), 6, r),
    "square, coupled, at full scale": lambda r: 0.99 * high_passed(square(r, 25), 0.5, r),
    "pulses": lambda r: 0.5 * (np.mod(np.arange(r // 2) / r * 300, 1) < 0.1),
    "pulses to both sides at full scale": lambda r: two_way(clicks(r, 2.0)),
    "pulses to both sides": lambda r: 0.5 * two_way(clicks(r, 2.0)),
    "swelling square at full scale": lambda r: swelling(r),
    "sawtooth at full scale": lambda r: 2 * np.mod(np.arange(r // 2) / r * 220.3, 1) - 1,
    "triangle": lambda r: 0.6 * np.arcsin(np.sin(2 * np.pi * 331 * np.arange(r // 2) / r)),
    "biphase": lambda r: 0.3 * biphase(r),
    "biphase, slow edges": lambda r: 0.3 * smoothed(biphase(r), 50, r),
    "biphase, slow edges, full scale": lambda r: smoothed(biphase(r), 80, r),
    "biphase off tape": lambda r: 0.3 * high_passed(low_passed(biphase(r), 9_000, r), 25, r),
    "clicks": lambda r: 0.5 * clicks(r, 1.0),
    "clicks, filtered": lambda r: 0.5 * smoothed(clicks(r, 0.5), 40, r),
    "saturated": lambda r: 0.7 * np.tanh(2 * programme(3, r)),
    "saturated hard": lambda r: 0.7 * np.tanh(4 * programme(3, r)),
    "saturated tone": lambda r: 0.7 * np.tanh(3 * tone(r, 440, 1.0)),
    "limited": lambda r: limited(programme(3, r), r),
    "flattest crest": lambda r: 0.4 * flattest(tone(r, 150, 1.0)),
    "flattest crest at full scale": lambda r: flattest(tone(r, 150, 1.0)) / (8 / 9 + 3e-8),
    "odd partials": lambda r: sum(0.4 / h * tone(r, 120 * h, 1.0) for h in (1, 3, 5, 7, 9)),
    "noise": lambda r: 0.1 * np.random.default_rng(1).standard_normal(r // 2),
    "even noise at full scale": lambda r: np.random.default_rng(1).uniform(-1, 1, r // 2),
    "two-level noise": lambda r: 0.5 * np.sign(np.random.default_rng(1).standard_normal(r // 2)),
    "a constant": lambda r: np.full(r // 2, 0.5),
    "silence": lambda r: np.zeros(r // 2),
}  # fmt: skip


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
@pytest.mark.parametrize("name", INNOCENT)
def test_what_is_no_clipping(name: str, rate_hz: int) -> None:
    x = INNOCENT[name](rate_hz)
    assert asking(check(words(x), rate_hz)) == []
    noisy = x + 3e-5 * np.random.default_rng(4).standard_normal(len(x))
    if np.abs(x).max() < 0.95:
        assert asking(check(words(noisy), rate_hz)) == []


@pytest.mark.parametrize("dbfs", [-72, -58, -44, -36, -24])
def test_quiet_words_of_sixteen_bits_are_staircases_by_nature(dbfs: int) -> None:
    x = words(10 ** (dbfs / 20) * programme(3, 352_800), 16)
    assert asking(check(x, 352_800, word_length=16)) == []


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("kind", ["plucks", "drums", "organ", "saturated", "timecode", "speech"])
def test_clean_programme_and_the_same_clipped(kind: str, rate_hz: int) -> None:
    x = synth.programme(kind, rate_hz=rate_hz, tracks=2, seconds=1.5, seed=3)
    assert asking(check(x, rate_hz)) == []
    peak = 20 * np.log10(float(np.abs(x[0].astype(np.float64)).max()) / 2**31)
    clipped = damage.clip_hard(x, dbfs=peak - 8, tracks=(0,)).samples
    assert [f[0::2] for f in asking(check(clipped, rate_hz))] == [("flat-top", (0,))]


@pytest.mark.parametrize(
    ("name", "expected", "least"),
    # the public recordings' index: 1105 runs of three, and 8019 runs of three and more
    [("ultrasonic/bat_pteronotus_clipped_375k.wav", "redo", 1000),
     ("ultrasonic/mouse_rec_4_clipped_250k.wav", "redo", 7500),
     ("multichannel/field_array_5ch_192k.wav", None, 0), ("tones/sweep_log.wav", None, 0),
     ("tones/testtone_24bit.wav", None, 0), ("wordlength/percussion_24bit.wav", None, 0),
     ("hires/upsampled_88k2.flac", None, 0), ("ultrasonic/bat_myotis_500k.wav", None, 0)],
)  # fmt: skip
def test_recordings(corpus: Path, name: str, expected: str | None, least: int) -> None:
    with soundfile.SoundFile(corpus / name) as file:
        x = np.ascontiguousarray(file.read(dtype="int32", always_2d=True).T)
        bits = 24 if "24" in file.subtype else 16
        outcome = check(x, file.samplerate, word_length=bits)
    found = [f for f in asking(outcome) if f[0] == "full-scale"]
    assert [f[1] for f in found] == ([expected] if expected else [])
    if expected:
        assert lines(outcome)[0].full_scale_runs >= least
    else:
        assert asking(outcome) == []


def modulated(hz: float, fades: float) -> Floats:
    """A tone modulated in frequency by its octave, ever less deep."""
    t = np.arange(2 * 48_000) / 48_000
    phase = 2 * np.pi * hz * t
    x = np.sin(phase + 1.6 * np.exp(-fades * t) * np.sin(2 * phase)) * np.clip(20 * t, 0, 1)
    return 0.25 * x


@pytest.mark.parametrize(("hz", "fades"), [(411.0, 0.4), (411.0, 2.5), (587.0, 1.0)])
def test_a_modulated_tone_that_is_flat_for_a_while_is_no_cut(hz: float, fades: float) -> None:
    # all crests of such a tone come to its amplitude; they are flat where the depth passes 1 / 2
    noise = 1e-4 * np.random.default_rng(3).standard_normal(2 * 48_000)
    assert asking(check(words((modulated(hz, fades) + noise)[None]), 48_000)) == []
    cut = np.clip(modulated(hz, fades), -0.21, 0.21) + noise
    assert asking(check(words(cut[None]), 48_000)) == [("flat-top", "listen", (0,))]
