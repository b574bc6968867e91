"""Clean tape-transfer programme from a seed: ensembles, played onto a tape, replayed, converted.

``render`` gives left-justified int32, (tracks, frames), as a converter would: programme with
room spill and crosstalk, tape saturation, modulation noise, hiss that only a moving tape gives,
the amplifier's and the converter's own noise, and whatever else ``Transfer`` asks for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sample_captures import instruments as play
from sample_captures.noise import Floats
from sample_captures.tape import Transfer, electrical, motion, quantised, to_tape


@dataclass(frozen=True, slots=True, kw_only=True)
class Ensemble:
    """Who plays, how densely and how.

    Attributes:
        sounds: makers of events, drawn at random.
        rate: events a second and track.
        spill_db: level of an event in the next track over; None: no room, tracks are separate.
        rest_s: length of the pauses in which nobody plays; 0: none.
        loudness_db: spread of the events' levels below the loudest.
    """

    sounds: tuple[play.Sound, ...]
    rate: float = 0.9
    spill_db: float | None = -22.0
    rest_s: float = 0.0
    loudness_db: float = 14.0


ENSEMBLES: Final[Mapping[str, Ensemble]] = {
    "plucks": Ensemble(sounds=(play.pluck,)),
    "bowed": Ensemble(sounds=(play.bowed,), rate=0.8, loudness_db=10),
    "drums": Ensemble(sounds=(play.drum, play.drum, play.cymbal), rate=1.3, loudness_db=18),
    "castanets": Ensemble(sounds=(play.castanet,), rate=3.0),
    "brass": Ensemble(sounds=(play.brass,), rate=1.2, loudness_db=8),
    "speech": Ensemble(sounds=(play.syllable,), rate=2.5, spill_db=-30, rest_s=0.8),
    "organ": Ensemble(sounds=(play.organ,), rate=0.7, loudness_db=6),
    "drone": Ensemble(sounds=(play.drone,), rate=0.4, spill_db=-20, loudness_db=6),
    "piano": Ensemble(sounds=(play.hammer,), rate=0.5, spill_db=-12, loudness_db=24),
    "tones": Ensemble(sounds=(play.tone,), rate=0.5, spill_db=None, loudness_db=20),
    "band": Ensemble(
        sounds=(play.drum, play.pluck, play.bowed, play.brass, play.cymbal, play.hammer),
        spill_db=-26,
    ),
    "clicks": Ensemble(sounds=(play.click,), rate=2.0, spill_db=None, loudness_db=1),
    "nothing": Ensemble(sounds=(), rate=0.0),
}


def render(
    ensemble: Ensemble,
    transfer: Transfer,
    *,
    rate_hz: int,
    tracks: int,
    seconds: float,
    seed: int,
    word_length: int = 24,
) -> NDArray[np.int32]:
    """One clean capture.

    Returns:
        int32, (tracks, frames), left-justified: the lower ``32 - word_length`` bits are zero.

    Raises:
        ValueError: no track, no room, or a word length outside 8 to 32.
    """
    if tracks < 1 or seconds < 0 or rate_hz < 1 or not 8 <= word_length <= 32:
        raise ValueError(f"cannot render {tracks} tracks, {seconds} s, {word_length} bit")
    frames = round(seconds * rate_hz)
    rng = np.random.default_rng([seed, tracks, rate_hz])
    x = np.zeros((tracks, frames), np.float32)
    gains = motion(transfer, frames, rate_hz)
    lead = min(round(transfer.lead_s * rate_hz), frames // 10)
    first, last = gains.first + lead, gains.last - lead
    if last > first:
        _perform(x[:, first:last], ensemble, transfer, rate_hz, rng)
    _splice(x, transfer, rate_hz, rng)
    to_tape(x, transfer, rate_hz, gains, rng)
    electrical(x, transfer, rate_hz, rng)
    return quantised(x, word_length, rng, dither=transfer.dither)


def as_float(samples: NDArray[np.int32], dtype: Any = np.float32) -> NDArray[Any]:
    """The same samples as floats with full scale 1.0."""
    return np.multiply(samples, 2.0**-31, dtype=np.float64).astype(dtype)


def _perform(
    x: Floats, ensemble: Ensemble, transfer: Transfer, rate_hz: int, rng: np.random.Generator
) -> None:
    """Lays the events into ``x``; a track's special signal replaces what else it would carry."""
    tracks, frames = x.shape
    seconds = frames / rate_hz
    special = {transfer.timecode_track, transfer.click_track, *transfer.idle_tracks}
    stages = [k for k in range(tracks) if k not in special] or list(range(tracks))
    count = int(np.ceil(ensemble.rate * seconds * min(len(stages), 10) ** 0.8))
    homes = np.concatenate([rng.permutation(stages) for _ in range(count // len(stages) + 1)])
    for home in homes[: count if ensemble.sounds else 0]:
        sound = ensemble.sounds[int(rng.integers(len(ensemble.sounds)))](rng, rate_hz)
        at = _entry(rng, seconds, ensemble.rest_s)
        gain = 10 ** (-float(rng.uniform(0, ensemble.loudness_db)) / 20)
        _lay(x, sound, round(at * rate_hz), gain, int(home), stages, ensemble.spill_db, rate_hz)
    peak = float(max(x.max(initial=0), -x.min(initial=0)))
    if peak > 0:
        x *= np.float32(10 ** (transfer.level_dbfs / 20) / peak)
    for track, make in ((transfer.timecode_track, _code), (transfer.click_track, _beats)):
        if track is not None and track < tracks:
            x[track] = make(rng, frames, rate_hz)
    for track in transfer.idle_tracks:
        x[track % tracks] = 0
    for start, length, factor in transfer.fades:
        span = x[:, round(start * rate_hz) : round((start + length) * rate_hz)]
        line = np.linspace(0, 1, span.shape[1], dtype=np.float32)
        span *= np.float32(factor) ** line
        x[:, round((start + length) * rate_hz) :] *= np.float32(factor)


def _entry(rng: np.random.Generator, seconds: float, rest_s: float) -> float:
    at = float(rng.random()) * seconds
    if rest_s:  # phrases of 1.5 s between the rests
        phrase = 1.5 + rest_s
        at = at // phrase * phrase + (at % phrase) * 1.5 / phrase
    return at


def _lay(
    x: Floats,
    sound: Floats,
    at: int,
    gain: float,
    home: int,
    stages: list[int],
    spill_db: float | None,
    rate_hz: int,
) -> None:
    frames = x.shape[1]
    for track in stages:
        away = abs(track - home)
        if away and (spill_db is None or away > 4):
            continue
        level = gain * (10 ** ((spill_db or 0) * (1 + 0.25 * (away - 1)) / 20) if away else 1.0)
        start = at + round(away * 0.0021 * rate_hz)  # some 0.7 m a microphone
        count = min(len(sound), frames - start)
        if count > 8:
            tail = min(count, rate_hz // 50)
            piece = sound[:count] * np.float32(level)
            if count < len(sound):  # the tape ends before the note: players stop, no cut
                piece[-tail:] *= np.linspace(1, 0, tail, dtype=np.float32)
            x[track, start : start + count] += piece


def _code(rng: np.random.Generator, frames: int, rate_hz: int) -> Floats:
    wave = play.timecode(rng, rate_hz, frames / rate_hz + 0.1)[:frames]
    edge = max(1, min(frames // 4, rate_hz // 20))
    wave[:edge] *= np.linspace(0, 1, edge, dtype=np.float32)
    wave[-edge:] *= np.linspace(1, 0, edge, dtype=np.float32)
    return np.asarray(wave * np.float32(0.18), np.float32)


def _beats(rng: np.random.Generator, frames: int, rate_hz: int) -> Floats:
    out = np.zeros(frames, np.float32)
    beat = play.click(rng, rate_hz)
    for at in np.arange(0.05, frames / rate_hz - 0.05, 60 / float(rng.uniform(90, 140))):
        part = out[round(at * rate_hz) :][: len(beat)]
        part += 0.3 * beat[: len(part)]
    return out


def _splice(x: Floats, transfer: Transfer, rate_hz: int, rng: np.random.Generator) -> None:
    """Goes on elsewhere in the music from each splice on, later on each track by the skew."""
    tracks, frames = x.shape
    for at in transfer.splices:
        jump = int(rng.uniform(0.4, 0.9) * rate_hz)
        elsewhere = np.roll(x, -jump, axis=1)
        for track in range(tracks):
            late = transfer.skew_s * track / max(tracks - 1, 1) * rate_hz
            start = round(at * rate_hz + late) + int(rng.integers(-20, 21))
            width = int(0.003 * rate_hz) if transfer.skew_s else int(rng.integers(20, 60))
            stop = min(start + max(width, 2), frames)
            if not 0 <= start < stop:
                continue
            over = np.sin(np.linspace(0, np.pi / 2, stop - start, dtype=np.float32)) ** 2
            x[track, start:stop] *= 1 - over
            x[track, start:stop] += elsewhere[track, start:stop] * over
            x[track, stop : frames - jump] = elsewhere[track, stop : frames - jump]
            fade = min(rate_hz // 20, max(frames - jump - stop, 0))
            if fade:
                x[track, frames - jump - fade : frames - jump] *= np.linspace(
                    1, 0, fade, dtype=np.float32
                )
            x[track, max(frames - jump, stop) :] = 0
