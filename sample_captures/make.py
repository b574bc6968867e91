"""Makes the sample captures: an invented octet's session, transferred reel by reel.

The Marrowgate Octet, the session "Slow Lanterns" and all reels are invented. Some transfers are
whole, others went wrong in ways that happen; ``truth.yaml`` says what each must yield and why.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sample_captures import instruments as play
from sample_captures import wavefile
from sample_captures.noise import amplifier_curve, noise
from sample_captures.signals import Ensemble, render
from sample_captures.tape import Transfer

SEED: Final = 1107
Samples = NDArray[np.int32]

_OCTET: Final = Ensemble(
    sounds=(play.brass, play.brass, play.bowed, play.pluck), rate=1.6, spill_db=-24, loudness_db=10
)
_REEL: Final = Transfer(
    before=(("standing", 0.5), ("starting", 0.3)),
    after=(("stopping", 0.2), ("standing", 0.4)),
    lead_s=0.4,
    bias_hz=147_000.0,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """One capture to make: where, in what form, and what then happens to it."""

    path: str
    rate_hz: int
    tracks: int
    seconds: float
    transfer: Transfer = _REEL
    spoil: Callable[[Samples, int], Samples] | None = None
    rf64: bool = False
    kept_s: float | None = None  # how much of it reached the disk; the header claims all


# -- what went wrong -----------------------------------------------------------------------------


def _lost_buffer(x: Samples, rate_hz: int) -> Samples:
    """128 frames of zeros on all tracks at 2.0 s: a buffer that was not filled in time."""
    at = 2 * rate_hz
    x[:, at : at + 128] = 0
    return x


def _dead_amplifier(x: Samples, rate_hz: int) -> Samples:
    """Track 3 carries its replay amplifier's noise and no tape."""
    rng = np.random.default_rng(SEED)
    floor = noise(rng, x.shape[1], rate_hz, amplifier_curve, _REEL.hiss_dbfs - 10)
    x[2] = np.rint(floor * 2.0**23).astype(np.int32) << 8
    return x


def _from_48_khz(x: Samples, rate_hz: int) -> Samples:
    """As if taken over from a 48 kHz file: nothing above 24 kHz, filtered from 21.8 kHz on."""
    f = np.fft.rfftfreq(x.shape[1], 1 / rate_hz)
    part = np.clip((f - 21_800) / (24_000 - 21_800), 0, 1)
    gain = np.cos(part * np.pi / 2) ** 2
    rng = np.random.default_rng(SEED)
    for row in x:
        low = np.fft.irfft(np.fft.rfft(row / 256.0) * gain, len(row))
        low += rng.random(len(row)) - rng.random(len(row))  # dither of two steps
        row[:] = np.clip(np.rint(low), -(2**23), 2**23 - 1).astype(np.int32) << 8
    return x


TAKES: Final = (
    Take(path="reel_MG-07/slow_lanterns_take_1.wav", rate_hz=352_800, tracks=8, seconds=5),
    Take(path="reel_MG-08/ferry_song_take_1.wav", rate_hz=352_800, tracks=4, seconds=5, rf64=True),
    Take(
        path="reel_MG-08/ferry_song_take_2.wav",
        rate_hz=352_800,
        tracks=4,
        seconds=4,
        transfer=replace(_REEL, level_dbfs=10.0),
    ),
    Take(
        path="reel_MG-08/ferry_song_take_3.wav",
        rate_hz=352_800,
        tracks=4,
        seconds=4,
        spoil=_lost_buffer,
    ),
    Take(
        path="reel_MG-08/ferry_song_take_4.wav",
        rate_hz=352_800,
        tracks=4,
        seconds=4,
        spoil=_dead_amplifier,
    ),
    Take(path="reel_MG-09/tidewater_take_1.wav", rate_hz=96_000, tracks=4, seconds=8),
    Take(path="reel_MG-09/tidewater_take_2.wav", rate_hz=96_000, tracks=4, seconds=8, kept_s=6.5),
    Take(
        path="reel_MG-10/morning_bell_take_1.wav",
        rate_hz=192_000,
        tracks=4,
        seconds=6,
        spoil=_from_48_khz,
    ),
    Take(path="reel_MG-11/lamp_oil_take_1.wav", rate_hz=176_400, tracks=4, seconds=5),
)

_WINDS: Final = ("flute", "oboe", "clarinet", "bassoon", "horn 1", "horn 2", "trumpet", "trombone")
_QUARTET: Final = ("violin", "horn", "cello", "lute")
SHEETS: Final = {  # folder: (rate asked for, track names)
    "reel_MG-07": (352_800, _WINDS),
    "reel_MG-08": (352_800, _QUARTET),
    "reel_MG-09": (96_000, _QUARTET),
    "reel_MG-10": (192_000, _QUARTET),
    "reel_MG-11": (352_800, _QUARTET),
}


def sheet_text(folder: str) -> str:
    """The transfer sheet of a reel, as YAML."""
    rate_hz, names = SHEETS[folder]
    return (
        "# Marrowgate Octet, session Slow Lanterns (all of it invented)\n"
        f"expect: {{rate_hz: {rate_hz}, channels: {len(names)}, word_length: 24, "
        "containers: [wav]}\n"
        f"tracks: [{', '.join(names)}]\n"
        f"reel: {{number: {folder.removeprefix('reel_')}, kind: programme}}\n"
        "machine: deck by the window\n"
        "tape: {speed_cm_s: 38.1, equalisation: IEC1, noise_reduction: none}\n"
    )


def make(folder: Path, seed: int = SEED) -> list[Path]:
    """Write all captures and their transfer sheets.

    Args:
        folder: where to; made if it is not there. Files of the same names are replaced.
        seed: another seed gives other music with the same faults.

    Returns:
        The captures written, in the order of ``TAKES``.
    """
    for name in SHEETS:
        reel = folder / name
        reel.mkdir(parents=True, exist_ok=True)
        (reel / "transfer.yaml").write_text(sheet_text(name), encoding="utf-8")
    todo: SimpleQueue[int] = SimpleQueue()
    for number in range(len(TAKES)):
        todo.put(number)
    made: SimpleQueue[tuple[int, Path | Exception]] = SimpleQueue()

    def work() -> None:
        with contextlib.suppress(Empty):
            while True:
                number = todo.get_nowait()
                try:
                    made.put((number, make_one(folder, number, seed)))
                except Exception as error:
                    made.put((number, error))

    # daemons, no executor: Ctrl-C need not wait for the captures that are being made
    for _ in range(min(4, os.cpu_count() or 1)):
        threading.Thread(target=work, daemon=True).start()
    paths: dict[int, Path] = {}
    try:
        while len(paths) < len(TAKES):
            number, result = made.get()
            if isinstance(result, Exception):
                raise result
            paths[number] = result
    finally:
        with contextlib.suppress(Empty):  # whatever went wrong: no further one is begun
            while True:
                todo.get_nowait()
    return [paths[number] for number in range(len(TAKES))]


def make_one(folder: Path, number: int, seed: int = SEED) -> Path:
    """Write the capture of that place in ``TAKES`` into its reel's folder, which is there."""
    take = TAKES[number]
    samples = render(
        _OCTET,
        take.transfer,
        rate_hz=take.rate_hz,
        tracks=take.tracks,
        seconds=take.seconds,
        seed=seed + number,
    )
    if take.spoil is not None:
        samples = take.spoil(samples, take.rate_hz)
    path = folder / take.path
    claimed = None
    if take.kept_s is not None:
        claimed = samples.shape[1]
        samples = samples[:, : round(take.kept_s * take.rate_hz)]
    wavefile.write(path, samples, take.rate_hz, rf64=take.rf64, claimed_frames=claimed)
    return path
