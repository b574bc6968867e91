"""Real recordings of public sources, as they are and played through tape."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

from sample_captures.tape import Transfer, electrical, motion, quantised, to_tape

CORPUS: Final = Path(__file__).resolve().parents[3] / "shared" / "corpus"
REAL: Final = (  # recordings of the corpus with nothing wrong in their samples
    "wordlength/percussion_24bit.wav",
    "wordlength/piano_A4_24bit.flac",
    "wordlength/snap_float.wav",
    "wordlength/bass_24bit.wav",
    "hires/music_96k_24bit.flac",
    "hires/audio_192k_24bit.flac",
    "multichannel/guitar_12ch.wav",
    "multichannel/flac_8ch.flac",
    "containers/flac_35467hz.flac",
    "containers/flac_blocksize_4096.flac",
    "ultrasonic/bat_carollia_384k.wav",
    "ultrasonic/mouse_rec_1_250k.wav",
    "ultrasonic/mouse_usv_300k.wav",
)
TRUE: Final = (  # (kind of bed, finding) that is right there, by SciPy's spectra, NumPy's peaks
    ("real:hires/audio_192k_24bit.flac", "brickwall"),  # 83 dB down from 20 to 24 kHz
    ("real:hires/audio_192k_24bit.flac", "dc-offset"),  # -0.7 %
    ("real:ultrasonic/mouse_usv_300k.wav", "dc-offset"),  # -0.15 %
    ("real:ultrasonic/mouse_rec_1_250k.wav", "unused-bits"),  # every sample is odd
    ("real:wordlength/piano_A4_24bit.flac", "cut-start"),  # -2 dBFS within the first 20 ms
    ("real:containers/flac_35467hz.flac", "cut-start"),  # -10 dBFS
    ("real:containers/flac_blocksize_4096.flac", "cut-end"),  # -24 dBFS in the last 20 ms
    ("tape:", "absent"),  # recordings at 44.1 kHz hold nothing above 20 kHz
)


def recording(path: str) -> tuple[NDArray[np.int32], int, int, bool]:
    """(tracks, frames) int32, rate, word length, whether it is float in the file."""

    info = soundfile.info(CORPUS / path)
    floating = info.subtype in ("FLOAT", "DOUBLE")
    with soundfile.SoundFile(CORPUS / path) as file:
        frames = min(info.frames, 4_000_000 // info.channels)
        if floating:
            data = file.read(frames, dtype="float64", always_2d=True)
            data = np.clip(np.rint(data * 2.0**31), -(2.0**31), 2.0**31 - 1).astype(np.int32)
        else:
            data = file.read(frames, dtype="int32", always_2d=True)
    word = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}.get(info.subtype, 24)
    return np.ascontiguousarray(data.T), info.samplerate, word, floating


def played(path: str, to_hz: int, tracks: int, seconds: float, seed: int) -> NDArray[np.int32]:
    """A recording brought to the rate ``to_hz``, repeated with pauses, through tape."""
    data, rate_hz, _, _ = recording(path)
    rng = np.random.default_rng([seed, 5])
    transfer = Transfer()
    frames = round(seconds * to_hz)
    x = np.zeros((tracks, frames), np.float32)
    common = math.gcd(to_hz, rate_hz)
    for k in range(tracks):
        row = data[k % len(data), : rate_hz * 6].astype(np.float64) / 2**31
        row = signal.resample_poly(row, to_hz // common, rate_hz // common)
        row *= 0.3 / max(np.abs(row).max(), 1e-9)
        edge = min(len(row) // 3, to_hz // 100)
        row[:edge] *= np.linspace(0, 1, edge)
        row[-edge:] *= np.linspace(1, 0, edge)
        at = round((0.5 + 0.3 * float(rng.random())) * to_hz)
        while at + len(row) < frames - to_hz // 2 or at < to_hz:
            part = x[k, at : at + len(row)]
            part += row[: len(part)] * np.float32(rng.uniform(0.2, 1))
            at += len(row) + round(float(rng.uniform(0.05, 0.5)) * to_hz)
        tail = round(0.4 * to_hz)
        x[k, -tail:] *= np.linspace(1, 0, tail) ** 2
    to_tape(x, transfer, to_hz, motion(transfer, frames, to_hz), rng)
    electrical(x, transfer, to_hz, rng)
    return quantised(x, 24, rng)
