"""Complete reels as they come to a transfer: nothing on them is at fault.

The machine stands, starts, and runs through line-up tones, leader, slate and count-in to two pieces
of music with a rest between them; then the tape's tail, and its end or the machine's. Each player
has rests, tracks bleed into each other; timecode, pilot, click and unused tracks stand beside them;
punch-ins and a splice lie in the music. ``laid_out`` says where everything is, ``played`` makes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from bench_detection.edges import Asked
from bench_detection.reels_players import PLAYERS, Draw, band, part, shape, voice
from numpy.typing import NDArray
from scipy import ndimage, signal
from timecode_kit import code

from sample_captures.noise import Floats, amplifier_curve, hiss_curve, noise
from sample_captures.tape import Transfer, electrical, quantised

Span = tuple[float, float]
"""From and to, in seconds."""

ENDS: Final = ("leader", "stop", "run-out", "hiss")
"""What comes behind the tail: leader, the machine stops, the tape leaves the head, or nothing."""

_SPEED_MM_S: Final = 381.0
_ACROSS_MM: Final = (0.0, 6.35)  # a splice cut straight; at 45 degrees, over quarter-inch tape
_WIDE_MM: Final = 25.4  # at 45 degrees over the tape of more than 8 tracks

RUNS: Final = ("tones", "slate", "music", "rest", "tail")
"""Places where tape runs at its speed: elsewhere no head loses it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where everything lies on a reel, in seconds.

    Attributes:
        kinds: of each track, as a sheet calls them.
        starts, runs: the machine starts, and has its speed.
        tones: frequency in Hz, and where.
        beat_s: of the music, and of four sticks in front of it where ``counted``.
        music: the pieces.
        splice: where the first piece goes on elsewhere.
        punches: track, place, and how much its hiss differs there, in dB.
        tail: from the music's end to the tape's.
        end: one of ``ENDS``.
        skew_s: how much later a cut across the tape reaches each track than the one before.
    """

    kinds: tuple[str, ...]
    starts: float
    runs: float
    tones: tuple[tuple[float, Span], ...]
    leader: Span | None
    slate: Span | None
    beat_s: float
    counted: bool
    music: tuple[Span, ...]
    splice: float | None
    punches: tuple[tuple[int, Span, float], ...]
    tail: Span
    end: str
    skew_s: float

    def places(self, seconds: float) -> dict[str, list[Span]]:
        """Where a fault can lie, by the names of the table."""
        rests = [(a[1], b[0]) for a, b in zip(self.music, self.music[1:], strict=False)]
        return {
            "standing": [(0.1, self.starts)],
            "run-in": [(self.starts + 0.1, self.runs)],
            "tones": [span for _, span in self.tones],
            "leader": [self.leader] if self.leader else [],
            "slate": [self.slate] if self.slate else [],
            "music": list(self.music),
            "rest": rests,
            "tail": [self.tail],
            "last second": [(seconds - 1.0, seconds - 0.05)],
        }


def laid_out(asked: Asked) -> Layout:
    """The same for the same seed, tracks and length."""
    rng = np.random.default_rng([41, asked.seed, asked.tracks])
    starts = rng.uniform(0.8, 2)
    runs = starts + rng.uniform(0.4, 1.5)
    at = runs + rng.uniform(0.3, 0.8)
    tones = []
    if rng.random() < (0.8 if asked.seconds > 27 else 0.3):
        hertz = (1000.0, 10_000.0, 100.0) if asked.seconds > 27 else (1000.0, 10_000.0)
        for hz in hertz:
            length = min(max(0.3 * asked.seconds / len(hertz), 2.2), 6)
            tones.append((hz, (at, at + length)))
            at += length + rng.uniform(0.4, 0.9)
    leader = slate = None
    if at < asked.seconds / 2 and rng.random() < 0.7:
        leader = (at, at + rng.uniform(1.3, 3))
        at = leader[1] + rng.uniform(0.3, 0.7)
    if at < asked.seconds / 2 and rng.random() < 0.7:
        slate = (at, at + 1.6)
        at += 1.9
    beat_s, counted = rng.uniform(0.38, 0.62), bool(rng.random() < 0.6)
    at += 4 * beat_s * counted
    tape_ends = asked.seconds - rng.uniform(2.8, 4)
    music_ends = tape_ends - rng.uniform(0.7, 1.2)
    length = music_ends - at
    music: tuple[Span, ...] = ((at, music_ends),)
    if length > 8:
        rest = at + length * rng.uniform(0.45, 0.6)
        music = ((at, rest), (rest + rng.uniform(1.2, 2), music_ends))
    kinds = ["programme"] * asked.tracks
    if asked.tracks >= 4:
        others = rng.permutation(["timecode", "unused", "click", "pilot"])
        for k, kind in enumerate(others[: max(1, asked.tracks // 6 + int(rng.integers(2)))]):
            kinds[-1 - k] = str(kind)
        if rng.random() < 0.3:
            kinds.reverse()
    first, last = music[0]
    punches = []
    for _ in range(int(rng.integers(3))):
        start = rng.uniform(first + 0.2 * (last - first), first + 0.6 * (last - first))
        stop = min(start + rng.uniform(0.8, 4), last - 0.2)
        track = int(rng.choice([k for k, kind in enumerate(kinds) if kind == "programme"]))
        punches.append((track, (start, stop), rng.uniform(-3.5, 1.5)))
    splice = first + (last - first) * rng.uniform(0.4, 0.7)
    across_mm = rng.choice([*_ACROSS_MM, _WIDE_MM if asked.tracks > 8 else _ACROSS_MM[1]])
    return Layout(
        kinds=tuple(kinds), starts=starts, runs=runs, tones=tuple(tones), leader=leader,
        slate=slate, beat_s=beat_s, counted=counted, music=music,
        splice=splice if rng.random() < 0.5 else None, punches=tuple(punches),
        tail=(music_ends, tape_ends), end=str(rng.choice(ENDS)),
        skew_s=across_mm / _SPEED_MM_S / max(asked.tracks, 2),
    )  # fmt: skip


def played(asked: Asked, hiss_dbfs: float) -> NDArray[np.int32]:
    """Left-justified words, (tracks, frames)."""
    plan = laid_out(asked)
    rng = np.random.default_rng([42, asked.seed, asked.tracks, asked.rate_hz])
    studio_hz = 88_200 if asked.rate_hz % 44_100 == 0 else 96_000
    x = np.zeros((asked.tracks, round(asked.seconds * studio_hz)), np.float32)
    for span in plan.music:
        _piece(x, plan, span, studio_hz, rng)
    _special_tracks(x, plan, studio_hz, rng)
    _slate(x, plan, studio_hz, rng)
    _tones(x, plan, studio_hz, rng)
    x = _off_tape(x, studio_hz, asked.rate_hz, rng)
    x *= np.float32(min(1, 0.9 / np.abs(x).max()))
    for k, row in enumerate(x):
        _hiss(row, plan, k, asked.rate_hz, hiss_dbfs, rng)
    transfer = Transfer(
        bias_hz=rng.uniform(95e3, 150e3), converter_rise_db=float(rng.choice([0, 25])),
        converter_dbfs=rng.uniform(-118, -108), hum_hz=float(rng.choice([0, 50])), hum_dbfs=-86,
    )  # fmt: skip
    electrical(x, transfer, asked.rate_hz, rng)
    return quantised(x, asked.word_length, rng)


def _piece(x: Floats, plan: Layout, span: Span, rate_hz: int, rng: Draw) -> None:
    """Every player's part with what leaks into his neighbours; then punch-ins and the splice."""
    first = round(span[0] * rate_hz)
    spliced = plan.splice is not None and span[0] < plan.splice < span[1]
    jump = round(rng.uniform(1, 3) * rate_hz) * spliced
    seconds = span[1] - span[0]
    length = round(seconds * rate_hz)
    tracks = [k for k, kind in enumerate(plan.kinds) if kind == "programme"]
    players = np.resize(rng.permutation(list(PLAYERS)), len(tracks))
    dry = np.zeros((len(tracks), length + jump))
    for k, player in enumerate(players):
        row = part(rng, rate_hz, seconds + jump / rate_hz, str(player), plan.beat_s)
        dry[k] += row[: dry.shape[1]] * 10 ** (rng.uniform(-14, -3) / 20)
        if k and rng.random() < 0.35:  # a second microphone on the player before
            late = round(rng.uniform(0.0002, 0.004) * rate_hz)
            dry[k, late:] += rng.uniform(0.5, 0.95) * band(dry[k - 1, :-late], rate_hz, 0, 12e3, 1)
    if rng.random() < 0.7:
        heard = [band(row, rate_hz, 0, rng.uniform(5e3, 12e3), 1) for row in dry]
        for k, row in enumerate(dry):
            for other in range(max(k - 3, 0), min(k + 4, len(dry))):
                late = round(rng.uniform(0.003, 0.02) * rate_hz)
                if other != k:
                    row[late:] += heard[other][:-late] * 10 ** (rng.uniform(-38, -20) / 20)
    for track, (start, stop), _ in plan.punches:
        if span[0] < start < span[1]:
            _punched(dry[tracks.index(track)], start - span[0], stop - start, rate_hz, rng)
    width = round(rng.uniform(0.0006, 0.003) * rate_hz)
    for k, row in enumerate(dry):
        at = round(((plan.splice or span[1]) - span[0] + tracks[k] * plan.skew_s) * rate_hz)
        over = np.clip((np.arange(length) - at) / width, 0, 1) if spliced else 0.0
        x[tracks[k], first : first + length] += row[:length] * (1 - over) + row[jump:] * over


def _punched(
    row: NDArray[np.float64], at_s: float, seconds: float, rate_hz: int, rng: Draw
) -> None:
    """Another player in place of what stood there, and the thump of the erase head's current."""
    other = part(rng, rate_hz, seconds, str(rng.choice(list(PLAYERS))), 0.5)
    start = round(at_s * rate_hz)
    over = shape(len(other), rate_hz, rng.uniform(4, 20), rng.uniform(4, 20))
    row[start : start + len(other)] *= 1 - over
    row[start : start + len(other)] += over * other * 10 ** (-9 / 20)
    t = np.arange(round(0.03 * rate_hz)) / rate_hz
    row[start : start + len(t)] += 0.01 * np.sin(500 * t) * np.exp(-t / 0.005)


def _special_tracks(x: Floats, plan: Layout, rate_hz: int, rng: Draw) -> None:
    first, last = plan.music[0][0] - 1, plan.music[-1][1]
    for row, kind in zip(x, plan.kinds, strict=True):
        part_of = row[round(first * rate_hz) : round(last * rate_hz)]
        if kind == "timecode":
            made = code(
                rate_hz, last - first + 0.1, seed=int(rng.integers(1 << 30)), flutter=0.0003,
                frames_s=int(rng.choice([24, 25, 30])), noise_dbfs=-100,
            )  # fmt: skip
            part_of += made[: len(part_of)].astype(np.float32) * np.float32(0.56)
        if kind == "pilot":
            turns = np.arange(len(part_of)) * (float(rng.choice([50.0, 60.0])) / rate_hz)
            turns += rng.random()  # an oscillator that is switched on
            part_of += (0.126 * np.sin(2 * np.pi * turns)).astype(np.float32)
        if kind == "click":
            beat = np.sin(2 * np.pi * 1500 * np.arange(round(0.012 * rate_hz)) / rate_hz)
            beat *= 0.25 * np.hanning(len(beat)) ** 0.5
            for at_s in np.arange(1, last - first - 0.1, plan.beat_s):
                part_of[round(at_s * rate_hz) :][: len(beat)] += beat.astype(np.float32)


def _slate(x: Floats, plan: Layout, rate_hz: int, rng: Draw) -> None:
    """A low tone and a voice on all tracks of programme; four sticks, met by each in its time."""
    t = np.arange(round(0.5 * rate_hz)) / rate_hz
    mark = 0.18 * np.sin(2 * np.pi * 40 * t) * np.hanning(len(t))
    said = [0.2 * voice(rng, rate_hz, 120 * rng.uniform(0.9, 1.1), 0.22) for _ in range(4)]
    t = np.arange(round(0.08 * rate_hz)) / rate_hz
    stick = 0.2 * sum(
        (2300 / hz) ** 1.5 * np.sin(2 * np.pi * hz * t) * np.exp(-t * hz / 18)
        for hz in (2300, 3900, 6400, 9100)
    ) * shape(len(t), rate_hz, 0.25, 10)  # fmt: skip
    for k, (row, kind) in enumerate(zip(x, plan.kinds, strict=True)):
        if kind != "programme":
            continue
        if plan.slate:
            _laid(row, mark, plan.slate[0], rate_hz)
            for word, sound in enumerate(said):
                _laid(row, sound, plan.slate[0] + 0.5 + 0.27 * word, rate_hz)
        for beat in range(4 * plan.counted):
            away_s = 0.001 + 0.004 * (7 * k % 5) / 5
            at_s = plan.music[0][0] - (4 - beat) * plan.beat_s + away_s
            _laid(row, stick * 10 ** (-6 * (3 * k % 4) / 20), at_s, rate_hz)


def _laid(row: Floats, sound: NDArray[np.float64], at_s: float, rate_hz: int) -> None:
    row[round(at_s * rate_hz) :][: len(sound)] += sound.astype(np.float32)


def _tones(x: Floats, plan: Layout, rate_hz: int, rng: Draw) -> None:
    """Line-up tones of -18 dBFS, 0.4 % high, switched on and off by a key."""
    for hz, (start, stop) in plan.tones:
        t = np.arange(round((stop - start) * rate_hz)) / rate_hz
        keyed = shape(len(t), rate_hz, float(rng.choice([0.3, 2])), float(rng.choice([0.3, 2])))
        for k, row in enumerate(x):
            gain = 10 ** ((-18 + np.clip(rng.normal(0, 0.07), -0.15, 0.15)) / 20)
            tone = gain * np.sin(2 * np.pi * 1.004 * hz * (t + k * 2e-6))
            _laid(row, tone * keyed, start, rate_hz)


def _off_tape(x: Floats, from_hz: int, to_hz: int, rng: Draw) -> Floats:
    """Print-through, saturation, the head's losses, wobble of the edge tracks, flutter."""
    frames, turn = x.shape[1], round(rng.uniform(0.9, 1.6) * from_hz)
    printed, fluttering = rng.random() < 0.6, rng.random() < 0.6
    head_hz = rng.uniform(20e3, 30e3)
    t = np.arange(frames) / from_hz
    at = t * from_hz
    for hz, depth in ((0.7, 3e-4), (6.3, 2e-4), (31.0, 1e-4)):
        at += from_hz * depth / (2 * np.pi * hz) * np.sin(2 * np.pi * hz * t)
    out = []
    for k, row in enumerate(x):
        y = row.astype(np.float64)
        if printed:
            echo = band(row, from_hz, 200, 4000, 1)
            y[:-turn] += echo[turn:] * 10 ** (-58 / 20)
            y[turn:] += echo[:-turn] * 10 ** (-60 / 20)
        y = band(1.6 * np.tanh(y / 1.6), from_hz, 0, head_hz)
        if k in (0, len(x) - 1):
            knots = np.convolve(rng.normal(0, 0.2, round(t[-1] * 6)), (0.25, 0.5, 0.25), "same")
            y *= 10 ** (np.interp(t, np.linspace(0, t[-1], len(knots)), knots) / 20)
        if fluttering:
            y = ndimage.map_coordinates(y, [at], order=4, mode="nearest")
        common = np.gcd(from_hz, to_hz)
        y = signal.resample_poly(y, to_hz // common, from_hz // common, window=("kaiser", 9.0))
        out.append(y.astype(np.float32))
    return np.stack(out)


def _hiss(row: Floats, plan: Layout, track: int, rate_hz: int, dbfs: float, rng: Draw) -> None:
    """Hiss where oxide passes the head, at the speed it passes; the amplifier's noise always."""
    level = dbfs + rng.normal(0, 0.5)
    hiss = noise(rng, len(row), rate_hz, hiss_curve(rng.uniform(22e3, 34e3)), level)
    hiss *= 1 + 3 * np.abs(row)  # modulation noise
    for punched, span, by_db in plan.punches:
        if punched == track:
            _gain(hiss, span, rate_hz, 10 ** (by_db / 20), 0.01)
    edge_s = max(0.0006, 0.8 * plan.skew_s)
    late_s, ends_s = track * plan.skew_s, plan.tail[1]
    if plan.leader:
        there = plan.leader[0] + late_s, plan.leader[1] + late_s
        _gain(hiss, there, rate_hz, 0.0, edge_s)
    if plan.end in ("leader", "run-out"):
        edge_s = edge_s if plan.end == "leader" else 0.01
        _gain(hiss, (ends_s + late_s, len(row) / rate_hz + 1), rate_hz, 0.0, edge_s)
    if plan.end == "run-out":  # the arm that held the tape's tension falls
        t = np.arange(round(0.15 * rate_hz)) / rate_hz
        _laid(row, 0.0056 * np.sin(220 * t) * np.exp(-t / 0.03) * (t < 0.14), ends_s, rate_hz)
    t = np.arange(len(row)) / rate_hz
    speed = np.clip((t - plan.starts) / (plan.runs - plan.starts), 0, 1)
    if plan.end == "stop":
        speed *= np.clip(1 - (t - ends_s) / 0.8, 0, 1)
    speed = np.sin(np.pi / 2 * speed)
    at = np.cumsum(speed) - 1
    at += plan.runs * rate_hz - at[round(plan.runs * rate_hz)]
    for part_of in (slice(0, round(plan.runs * rate_hz)), slice(round(ends_s * rate_hz), None)):
        slow = ndimage.map_coordinates(hiss, [at[part_of]], order=3, mode="reflect")
        hiss[part_of] = slow * speed[part_of]
    row += hiss + noise(rng, len(row), rate_hz, amplifier_curve, dbfs + rng.uniform(-12, -9))


def _gain(x: Floats, span: Span, rate_hz: int, gain: float, edge_s: float) -> None:
    """Within ``span`` so much; linear over ``edge_s`` from there on and behind it."""
    t = np.arange(len(x)) / rate_hz
    inside = np.clip((t - span[0]) / edge_s, 0, 1) - np.clip((t - span[1]) / edge_s, 0, 1)
    x *= (1 + (gain - 1) * inside).astype(np.float32)
