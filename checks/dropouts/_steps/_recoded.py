"""Words that are whole, but written otherwise from one frame on: proven by the way back.

A cable or a driver turns the polarity over, words stand one bit lower or higher, the bytes of each
change places, a bit comes inverted. Whatever the sound is: put back, what follows is as it was
foretold from what was before, while as it stands it is not.

What only takes a factor (-1, 2, 1/2) shows at the join alone: what follows there must be what a
prediction from before foretells, times the factor. By how much it is that is measured (least
squares), and must be the factor to within its own uncertainty, which is small; and what is left
must be the floor. A cut or another sound leaves other samples, and another share. A rectified wave
turns its polarity at each of its cusps, so it must stand alone.

Bytes that change places and inverted bits make noise of the weight of what moves, as long as they
last: it is followed to its end.

Cannot be seen: what stays under the floor, as the lowest bits do; where the sound that was before
says nothing of what follows, as at an attack; a factor on one track alone that jumps by less than
some hundred standard deviations, since a cut in tones may look so; factors in floats but for the
polarity.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts import _predict
from checks.dropouts._events import Event
from checks.dropouts._history import History
from checks.dropouts._junction import (
    BEFORE,
    BEHIND,
    CLEAN,
    LEAST,
    NOISY,
    ORDER,
    REACH,
    STANDS_OUT,
    Junction,
)
from checks.dropouts._predict import Floats
from checks.dropouts._sentences import RECODED, RECOPY_FIRST
from checks.dropouts._steps._doubts import Doubts
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._rises import rises_at
from checks.dropouts._steps._whiten import Rise
from checks.model import CaptureFormat, Remedy, Value, Verdict, length_told, milliseconds

Ints = NDArray[np.int64]

_FACTORS: Final = (-1.0, 2.0, 0.5)
_TEST: Final = 64  # frames on each side of a join
_KNOWN: Final = 0.05
_ALONE: Final = 0.01
_ALSO: Final = 0.1
"""Standard error of the factor at most: by several tracks together, by one alone, and of each. From
own trials: of 760 cuts in music, some in tones by half a period, five are taken for a factor on one
track at 0.05."""

_WITHIN: Final = 3.0  # standard errors
_ROUNDED: Final = 1e-3  # of a factor, by which bits that are lost below may change it

_LONG: Final = 128  # frames behind the first that are looked at for noise
_NOISY: Final = 4.0  # mean square that must go by putting the words back: a bit of twice the floor
_LEFT: Final = 4.0  # mean square that may be left
_SLACK: Final = 16  # frames by which it may lie elsewhere
_REACH: Final = 4096  # frames behind a rise within which noise may set in
_FEW: Final = 256  # frames that tell whether it goes on


@dataclass(frozen=True, slots=True)
class Way:
    """How words are put back: bytes (1 the uppermost) that change places, or a bit inverted."""

    bytes: tuple[int, int] | None = None
    bit: int | None = None

    def back(self, words: Ints, length: int) -> Ints:
        """Args: ``length``: of the words, in bits."""
        if self.bit is not None:
            return words ^ (1 << length - self.bit)
        assert self.bytes is not None
        up, low = (length - 8 * one for one in self.bytes)
        moves = (words >> up ^ words >> low) & 255
        out: Ints = words ^ (moves << up | moves << low)
        return out

    def lowest(self, length: int) -> int:
        """The bit that is inverted, or those of the lower byte, as a mask."""
        if self.bit is not None:
            return 1 << length - self.bit
        assert self.bytes is not None
        return 255 << length - 8 * self.bytes[1]

    def told(self) -> str:
        if self.bit is not None:
            return f"Bit {self.bit} of the words (counted from the top, the sign is 1) is inverted"
        assert self.bytes is not None
        return f"Bytes {self.bytes[0]} and {self.bytes[1]} of each word change places"


@dataclass(slots=True)
class _Stretch:
    """Words written otherwise; ``seen``: up to where it is known to go on."""

    way: Way
    tracks: tuple[int, ...]
    start: int
    seen: int


@dataclass(slots=True)
class Recoded:
    """Looks for such words, and tells of them."""

    fmt: CaptureFormat
    history: History
    doubts: Doubts
    limit: float
    _open: list[_Stretch] = field(default_factory=list)
    _waiting: list[Rise] = field(default_factory=list)
    _over: list[tuple[int, int, tuple[int, ...]]] = field(default_factory=list)

    def covers(self, frame: int, tracks: Sequence[int]) -> bool:
        """Whether a frame of some tracks lies within a stretch that was told, or goes on."""
        spans = [(one.start, one.seen, one.tracks) for one in self._open] + self._over[-8:]
        return any(a <= frame <= b and set(tracks) <= set(on) for a, b, on in spans)

    def at(self, place: Place, found: Mapping[int, Junction]) -> bool:
        """Whether words are written otherwise from a place on, by a factor."""
        strong = {
            t: j
            for t, j in found.items()  # a wrong word is the simpler answer
            if j.jump >= self.limit and j.word > CLEAN and j.noisy and place.no_bend(t, j)
        }
        return bool(strong) and self._by_factor(place, strong)

    def feed(self, rises: Sequence[Rise]) -> None:
        """Take what rises in the newest block; follow what is open, look at what waits."""
        if not self.fmt.floating:
            self._waiting += rises
        self._go_on()

    # -- factors ------------------------------------------------------------------------------

    def _by_factor(self, place: Place, found: Mapping[int, Junction]) -> bool:
        factors = _FACTORS[:1] if self.fmt.floating else _FACTORS
        for track, junction in found.items():
            first, last = place.peak - BEFORE, place.peak + BEHIND
            best = _join(place.steps[track], first, last, factors)
            if best is None or not place.alone(track, junction, but=1):
                continue
            others = {t: _join(place.steps[t], best.frame, best.frame, [best.factor])
                      for t in place.tracks if t != track}  # fmt: skip
            also = {t: one.weight for t, one in others.items() if one is not None}
            if best.weight + sum(also.values()) < (_KNOWN if also else _ALONE) ** -2:
                continue
            self._tell_factor((track, *also), place.start + best.frame, best.factor, junction.jump)
            return True
        return False

    def _tell_factor(self, tracks: tuple[int, ...], at: int, factor: float, jump: float) -> None:
        values: dict[str, Value] = {"cause": RECODED, "jump_sigma": round(jump, 1)}
        if factor < 0:
            what = "The polarity turns over here from one sample to the next: times -1"
            values["factor"] = -1
        else:
            lower = factor > 1
            what = f"Words stand one bit {'lower' if lower else 'higher'} from here on: the level "
            what += f"steps by {'-' if lower else '+'}6.02 dB from one sample to the next, and put "
            what += "back"
            values["factor"] = 1 / factor
        text = f"{what}, what follows goes on from what was before; play the tape again."
        self.doubts.proven(
            Event(
                kind="step",
                verdict=Verdict.REDO,
                remedy=Remedy.REPLAY,
                tracks=tuple(sorted(tracks)),
                start=at,
                stop=at + 1,
                text=text,
                values=values,
            ),
            sure=True,
        )

    # -- bytes and bits -----------------------------------------------------------------------

    def _ways(self) -> list[Way]:
        length = self.fmt.word_length
        if self.fmt.floating:
            return []
        octets = range(2, length // 8)
        swaps = [Way(bytes=(k, k + 1)) for k in octets] if length % 8 == 0 else []
        return [*swaps, *(Way(bit=bit) for bit in range(2, length + 1))]

    def _go_on(self) -> None:
        for one in list(self._open):
            while one in self._open and one.seen + 2 * _FEW <= self.history.stop:
                self._follow(one)
        ripe = [at for at in self._waiting if at.frame + _REACH + LEAST <= self.history.stop]
        self._waiting = [at for at in self._waiting if at not in ripe]
        for track, frame in ripe:
            if not self.covers(frame, [track]):
                self._look(track, frame)

    def _look(self, track: int, frame: int) -> None:
        """Whether noise that sets in behind a frame is words that can be put back."""
        start = max(frame - REACH, self.history.start)
        words = self._words(track, start, frame + _REACH + LEAST)
        near = rises_at(words.astype(np.float64), frame - start)
        if near is None or (one := self._begun(words, near)) is None:
            return
        way, at = one
        at += start
        if self.covers(at, [track]):
            return
        others = [t for t in range(self.fmt.channels) if t != track and self._stands_so(t, at, way)]
        tracks = tuple(sorted((track, *others)))
        self._open.append(_Stretch(way, tracks, at, at))
        self._go_on()

    def _words(self, track: int, start: int, stop: int) -> Ints:
        row = self.history.row(track, max(start, 0), stop)
        return row.astype(np.int64) >> 32 - self.fmt.word_length

    def _begun(self, words: Ints, near: int) -> tuple[Way, int] | None:
        """By which way back words are foretold from some frame near, and which frame."""
        first, last = near - _SLACK, near + _SLACK
        stop = last + ORDER + _LONG
        if first < LEAST or len(words) < stop:
            return None
        length = self.fmt.word_length
        x = words.astype(np.float64)
        whitening, floor = _predict.known(x[:first], ORDER)
        if floor < NOISY * _predict.rounding(whitening):
            return None  # it never met a converter: all moves in few bits
        stands = _unforetold(x[last:stop], whitening, floor)
        if stands < _NOISY:
            return None
        moved = int(np.bitwise_or.reduce(words[:first] ^ words[0]))
        # where bits rest, as below short words, putting them back makes small words smaller
        ways = [way for way in self._ways() if not way.lowest(length) & ~moved]
        if not ways:
            return None
        backs = np.array([way.back(words[last:stop], length) for way in ways], np.float64)
        rows = np.lib.stride_tricks.sliding_window_view(backs, ORDER + 1, axis=1)
        left = np.square(rows @ whitening[::-1]).mean(axis=1) / floor**2
        best = int(np.argmin(left))
        if left[best] > min(_LEFT, stands / _NOISY):
            return None
        way = ways[best]
        put_back = way.back(words, length).astype(np.float64)
        costs = []
        for frame in range(first, last + 1):
            z = np.concatenate((x[first - ORDER : frame], put_back[frame:stop]))
            costs.append(_unforetold(z, whitening, floor))
        return (way, first + int(np.argmin(costs))) if min(costs) <= _LEFT else None

    def _stands_so(self, track: int, frame: int, way: Way) -> bool:
        """Whether another track's words are written so behind a frame."""
        start = max(frame - REACH, self.history.start)
        words = self._words(track, start, frame + _LONG)
        at = frame - start
        x = words.astype(np.float64)
        whitening, floor = _predict.known(x[:at], ORDER)
        z = x[at - ORDER :].copy()
        stands = _unforetold(z, whitening, floor)
        z[ORDER:] = way.back(words[at:], self.fmt.word_length)
        back = _unforetold(z, whitening, floor)
        return back * _NOISY <= stands and back <= _LEFT

    def _follow(self, one: _Stretch) -> None:
        track = one.tracks[0]
        first = max(one.seen - 2 * _FEW, one.start)
        words = self._words(track, first, one.seen + 2 * _FEW)
        back = one.way.back(words, self.fmt.word_length).astype(np.float64)
        known = back[: max(one.seen - first, LEAST)]
        whitening = _predict.fitted(known, ORDER)
        stands = np.abs(_predict.forward(words.astype(np.float64), whitening))
        right = np.abs(_predict.forward(back, whitening))
        near = slice(max(one.seen - first, ORDER), None)
        told = np.log2((stands[near] + 1.0) / (right[near] + 1.0)).clip(-4, 4)
        rises = np.cumsum(told)
        if rises[min(len(rises), _FEW) - 1] > 0 and rises[-1] > 0:
            one.seen += _FEW
            return
        stop = one.seen + (int(np.argmax(rises)) + 1 if rises.max() > 0 else 0)
        self._close(one, stop)

    def _close(self, one: _Stretch, stop: int) -> None:
        self._open.remove(one)
        self._over.append((one.start, stop, one.tracks))
        frames, rate_hz = max(stop - one.start, 1), self.fmt.rate_hz
        recopy = one.way.bytes is not None
        what = f"{one.way.told()} for {length_told(frames, rate_hz)}"
        text = f"{what}: put back, they go on as the sound before them"
        text += f": {RECOPY_FIRST}" if recopy else "; play the tape again with another converter."
        self.doubts.proven(
            Event(
                kind="step",
                verdict=Verdict.REDO,
                remedy=Remedy.RECOPY if recopy else Remedy.REPLAY,
                tracks=one.tracks,
                start=one.start,
                stop=one.start + frames,
                text=text,
                values={"cause": RECODED, "length_ms": milliseconds(frames, rate_hz)},
            ),
            sure=True,
        )

    def finish(self) -> None:
        self._go_on()
        for one in list(self._open):
            self._close(one, self.history.stop)


@dataclass(frozen=True, slots=True)
class _Join:
    """A join behind which a track goes on by a factor.

    Attributes:
        left: mean square of what is left, floor 1.
        weight: of the factor: one over the square of its standard error.
    """

    left: float
    frame: int
    factor: float
    weight: float


def _join(x: Floats, first: int, last: int, factors: Sequence[float]) -> _Join | None:
    """The best join from ``first`` to ``last``, by a prediction from what stands before them."""
    begin, stop = first - _TEST, last + _TEST + 1
    if begin < LEAST or len(x) < stop:
        return None
    whitening, floor = _predict.known(x[: first - 2], ORDER)
    here = x[begin - ORDER : stop] / floor
    found: list[_Join] = []
    for frame in range(first, last + 1):
        before, behind = here.copy(), here.copy()
        at = ORDER + frame - begin
        before[at:], behind[:at] = 0.0, 0.0
        near = slice(frame - first, frame - first + 2 * _TEST)
        left = _predict.forward(before, whitening)[ORDER:][near]
        more = _predict.forward(behind, whitening)[ORDER:][near]
        b, s = left[_TEST : _TEST + ORDER], more[_TEST : _TEST + ORDER]
        weight = float(b @ b)
        if weight < _ALSO**-2:
            continue
        share = -float(s @ b) / weight  # of what should follow, in what does
        for factor in factors:
            if abs(share * factor - 1.0) > _WITHIN / weight**0.5 + _ROUNDED:
                continue
            rest = left + factor * more
            much = float(rest @ rest) / len(rest)
            if much <= CLEAN and np.abs(rest).max() <= STANDS_OUT:
                found.append(_Join(much, frame, factor, weight))
    return min(found, key=lambda one: one.left) if found else None


def _unforetold(z: Floats, whitening: Floats, floor: float) -> float:
    """Mean square of what is not foretold of the samples from ``ORDER`` on, floor 1."""
    residual = _predict.forward(z, whitening)[ORDER:]
    return float(residual @ residual) / (len(residual) * floor * floor)
