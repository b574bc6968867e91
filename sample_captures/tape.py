"""Tape, replay machine and converter: what they add to programme and take from it.

A rough picture on purpose: right in what an analyser looks at (three floors, three spectra,
which noise stands still with the tape), and no model of any machine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_captures.noise import (
    Floats,
    amplifier_curve,
    converter_curve,
    filtered,
    hiss_curve,
    noise,
    slow_noise,
)

State = tuple[str, float]
"""What the tape does for how many seconds: standing, starting, running, leader, stopping, off.

``off``: the machine is switched off, so that only the converter is heard.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """How tape and converter treat the programme. Levels: AES17 dBFS; times: seconds.

    Attributes:
        level_dbfs: sample peak of the programme on the loudest track.
        amplifier_db: the replay amplifier's noise against the hiss.
        converter_dbfs: the converter's noise from 20 Hz to 20 kHz.
        converter_rise_db: how far it rises from 50 kHz to half the rate.
        crosstalk_db: a track's programme in its neighbours, without delay.
        tape_hz: where the tape's response falls to half power above the programme.
        modulation_db: noise that sits on the programme, against it.
        saturation: programme level (1.0 = full scale) at which the tape bends; None: never.
        before, after: what the tape does before and after it runs.
        lead_s: hiss alone before and behind the programme; shortened in short captures.
        leaders: (from, length) stretches without oxide.
        relays: times of clicks that reach all inputs in the same frame.
        splices, skew_s: times, and how long a splice takes from the first track to the last.
        fades: (from, length, factor) changes of the programme's level, hiss untouched.
        bias_hz, line_hz, hum_hz: frequencies of residue lines, 0: none; with their levels.
        timecode_track, click_track: track (from 0) that carries such a signal instead.
        idle_tracks: tracks that carry hiss but no programme.
        decoded_db: how far a decoded noise reduction pulls the hiss down in rests; 0: none used.
        print_db: pre- and post-echo of the neighbouring turns of tape; None: not heard.
        dither: triangular dither of two steps before words of 20 bits and fewer.
    """

    hiss_dbfs: float = -62.0
    level_dbfs: float = -9.0
    amplifier_db: float = -10.0
    converter_dbfs: float = -118.0
    converter_rise_db: float = 0.0
    crosstalk_db: float = -48.0
    tape_hz: float = 35_000.0
    modulation_db: float = -52.0
    saturation: float | None = None
    before: tuple[State, ...] = ()
    after: tuple[State, ...] = ()
    lead_s: float = 0.5
    leaders: tuple[tuple[float, float], ...] = ()
    relays: tuple[float, ...] = ()
    splices: tuple[float, ...] = ()
    skew_s: float = 0.0
    fades: tuple[tuple[float, float, float], ...] = ()
    bias_hz: float = 0.0
    bias_dbfs: float = -88.0
    line_hz: float = 0.0
    line_dbfs: float = -84.0
    hum_hz: float = 0.0
    hum_dbfs: float = -78.0
    timecode_track: int | None = None
    click_track: int | None = None
    idle_tracks: tuple[int, ...] = ()
    decoded_db: float = 0.0
    print_db: float | None = None
    dither: bool = True


@dataclass(frozen=True, slots=True)
class Motion:
    """Gains over time: of hiss and programme, of hiss at low speed, of the amplifier."""

    first: int  # first and last frame at which the tape runs
    last: int
    tape: Floats
    slow: Floats
    amplifier: Floats


def motion(transfer: Transfer, frames: int, rate_hz: int) -> Motion:
    before = sum(s for _, s in transfer.before)
    after = sum(s for _, s in transfer.after)
    running = max(frames / rate_hz - before - after, 0.0)
    tape = np.ones(frames, np.float32)
    slow = np.zeros(frames, np.float32)
    amplifier = np.ones(frames, np.float32)
    at = 0.0
    for state, length in (*transfer.before, ("running", running), *transfer.after):
        span = slice(round(at * rate_hz), round((at + length) * rate_hz))
        count = len(tape[span])
        ramp = np.linspace(0, 1, count, dtype=np.float32)
        if state == "starting":
            tape[span], slow[span] = ramp**2, np.sin(np.float32(np.pi) * ramp) * 0.6
        elif state == "stopping":
            tape[span] = ramp[::-1] ** 2
            slow[span] = np.sin(np.float32(np.pi) * ramp) * 0.6
        elif state != "running":
            tape[span] = 0.0
        if state == "off":
            amplifier[span] = np.maximum(1 - 20 * ramp * np.float32(length), 0)
        at += length
    for start, length in transfer.leaders:
        span = slice(round(start * rate_hz), round((start + length) * rate_hz))
        count = len(tape[span])
        edge = np.minimum(np.arange(count), np.arange(count)[::-1]) / (0.004 * rate_hz)
        tape[span] *= np.maximum(1 - edge, 0).astype(np.float32)
    return Motion(
        round(before * rate_hz), round((before + running) * rate_hz), tape, slow, amplifier
    )


def to_tape(
    x: Floats, transfer: Transfer, rate_hz: int, gains: Motion, rng: np.random.Generator
) -> None:
    """Saturation, modulation noise, response, hiss, crosstalk and the amplifier's noise."""
    tracks, frames = x.shape
    if not frames:
        return
    every = max(1, rate_hz // 6000)
    depth = np.float32(10 ** (transfer.modulation_db / 20))
    for row in x:
        if transfer.saturation is not None:
            row /= np.sqrt(1 + (row / np.float32(transfer.saturation)) ** 2)
        if transfer.print_db is not None:
            turn = int(1.3 * rate_hz)  # a turn of 15 cm diameter at 38.1 cm/s
            echo = np.float32(10 ** (transfer.print_db / 20)) * row
            row[: max(frames - turn, 0)] += echo[turn:]
            row[turn:] += echo[: max(frames - turn, 0)] * np.float32(0.7)
        row *= 1 + depth * slow_noise(rng, frames, every)
        if transfer.tape_hz < 0.5 * rate_hz:
            row[:] = filtered(row, rate_hz, lambda f: 1 / (1 + (f / transfer.tape_hz) ** 4) ** 0.5)
    leak = np.float32(10 ** (transfer.crosstalk_db / 20))
    if tracks > 1:
        before = x[0].copy()
        x[0] += leak * x[1]
        for k in range(1, tracks):
            own = x[k].copy()
            x[k] += leak * before
            if k + 1 < tracks:
                x[k] += leak * x[k + 1]
            before = own
    moving = bool(gains.slow.any())
    for row in x:
        level = transfer.hiss_dbfs + float(rng.uniform(-0.7, 0.7))
        hiss = noise(rng, frames, rate_hz, hiss_curve(), level)
        if transfer.decoded_db:
            hiss *= _expansion(row, rate_hz, transfer.decoded_db)
        row += hiss
        row *= gains.tape
        if moving:
            row += gains.slow * noise(rng, frames, rate_hz, hiss_curve(2_500.0), level)
        hum = noise(
            rng, frames, rate_hz, amplifier_curve, transfer.hiss_dbfs + transfer.amplifier_db
        )
        row += gains.amplifier * hum


def _expansion(row: Floats, rate_hz: int, depth_db: float) -> Floats:
    """Gain of a decoder: unity in loud programme, ``depth_db`` less in rests."""
    step = max(1, rate_hz // 200)
    parts = -(-len(row) // step)
    peaks = np.abs(np.pad(row, (0, parts * step - len(row)))).reshape(parts, step).max(axis=1)
    smooth = np.convolve(peaks, np.exp(-np.arange(40) / 12), "full")[:parts] / 12
    gain = np.clip(smooth / 0.05, 10 ** (-depth_db / 20), 1.0)
    at = np.arange(len(row), dtype=np.float32) / step
    return np.interp(at, np.arange(parts), gain).astype(np.float32)


def electrical(x: Floats, transfer: Transfer, rate_hz: int, rng: np.random.Generator) -> None:
    """What comes in behind the head: lines, relay clicks, the converter's own noise."""
    tracks, frames = x.shape
    curve = converter_curve(transfer.converter_rise_db, rate_hz / 2)
    t = np.arange(frames, dtype=np.float64) / rate_hz
    lines = [(transfer.bias_hz, transfer.bias_dbfs), (transfer.line_hz, transfer.line_dbfs)]
    lines += [
        (transfer.hum_hz * n, transfer.hum_dbfs - 6 * (n - 1)) for n in (1, 2, 3) if transfer.hum_hz
    ]
    for row in x:
        for hz, dbfs in lines:
            if 0 < hz < 0.5 * rate_hz:
                level = 10 ** ((dbfs + float(rng.uniform(-3, 3))) / 20)
                turns = t * hz + float(rng.random())
                turns -= np.floor(turns)
                row += (level * np.sin(2 * np.pi * turns)).astype(np.float32)
        row += noise(rng, frames, rate_hz, curve, transfer.converter_dbfs)
    for at in transfer.relays:
        start = round(at * rate_hz)
        count = min(round(0.004 * rate_hz), frames - start)
        if start < 0 or count < 1:
            continue
        tc = np.arange(count) / rate_hz
        f, decay = float(rng.uniform(2e3, 40e3)), float(rng.uniform(30e-6, 600e-6))
        wave = np.sin(2 * np.pi * min(f, 0.4 * rate_hz) * tc) * np.exp(-tc / decay)
        wave *= 1 - np.exp(-tc / 6e-6)
        loud = 10 ** (float(rng.uniform(-50, -24)) / 20)
        x[:, start : start + count] += (loud * rng.uniform(0.3, 1, (tracks, 1)) * wave).astype(
            np.float32
        )


def quantised(
    x: Floats, word_length: int, rng: np.random.Generator, *, dither: bool = True
) -> NDArray[np.int32]:
    """Floats of full scale 1.0 as left-justified words; ``x``'s memory is used again."""
    out = x.view(np.int32)
    scale, top = 2.0 ** (word_length - 1), 2.0 ** (word_length - 1) - 1
    for row, words in zip(x, out, strict=True):
        for start in range(0, len(row), 1 << 18):
            part = row[start : start + (1 << 18)].astype(np.float64) * scale
            if word_length > 24:  # float32 holds 24 bits: the lower ones move as well
                part += (rng.random(len(part)) - 0.5) * 2.0 ** (word_length - 24)
            elif word_length <= 20 and dither:
                part += rng.random(len(part)) - rng.random(len(part))
            steps = np.clip(np.rint(part), -scale, top).astype(np.int64)
            words[start : start + len(part)] = steps << (32 - word_length)
    return out
