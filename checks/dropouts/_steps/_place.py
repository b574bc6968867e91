"""The samples around one peak of the screen, and what stands out in them."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES
from checks.dropouts import _edges, _junction, _predict, _tops
from checks.dropouts._history import History
from checks.dropouts._junction import ORDER, Junction
from checks.dropouts._steps import _causes, _comes_again, _elsewhere, _long, _steep, _still
from checks.dropouts._steps._beneath import Share
from checks.model import CaptureFormat, Samples

FINE_STEP: Final = 2.0**-19
CONVERTER: Final = 5.0
"""Step, full scale 1.0, from which on no converter is as still as dither of its words; and its
least floor then, over that of bare rounding: -135 dBFS of 24 bits (common practice: the best reach
-125 to -130)."""

BEND: Final = 0.01
"""Least height of a jump where the floor is less, share of the signal's peak: fades of generated
tones bend by less than a thousandth."""

NEWS: Final = 2.0
"""Most that what follows may differ from what was before, see ``Place.news``. From own trials:
the same programme goes on with 0.9 to 1.3, other programme with 3 to 30."""

_NEWS: Final = 512  # frames on each side that the other side's filter is run over
_WITNESS: Final = 128  # frames on each side
_ONE_SOURCE: Final = 0.5  # correlation of the differences; own trials: leaks 0.6, others 0.1
_LEAST_AGAIN: Final = 6  # equal samples that noise of some steps makes once in a million

MOST_AGAIN: Final = 31
"""Longest stretch looked for as played again, in frames: from 32 on it is a repeated block."""

_BESIDE: Final = 64  # frames on each side of a word
_TOWERS: Final = 3.0  # over the largest step beside; own trials: sounds that begin 0.04 to 1.5

_HALF: Final = 0.5  # of the height of a cut
_OTHER_END: Final = 1  # of samples that were put in
_HELD_BEHIND: Final = 2 * BLOCK_FRAMES  # frames that have surely come in behind a place
_LONG: Final = 32  # order of a prediction that goes on for a while
_KNOWN: Final = 1024  # frames it is fitted to
_CARRIED: Final = 48  # frames it goes on for
_STRENGTH: Final = 192  # frames over which strength is told
_DIFFERENCES: Final = 3
_FORETOLD: Final = 0.25  # share of the energy that a prediction which holds may leave over
_LOUDER: Final = 4.0  # most that the energy may change where nothing begins or ends
_NEW: Final = 0.8
"""Least share that must be left over. A sound on top of another leaves 0.75 where the energy grows
fourfold; one programme cut leaves 1 to 2, less where few frames of low sound are gone."""


class Place:
    """The samples around one peak, of all tracks.

    Attributes:
        steps: (tracks, frames) in steps of the word.
        peak: where the largest residual lies within them.
        first: where the disturbance begins that is largest there.
        start: frame of the first of them.
    """

    def __init__(
        self,
        fmt: CaptureFormat,
        native: Samples,
        *,
        peak: int,
        start: int,
        first: int | None = None,
        history: History | None = None,
    ) -> None:
        """``first``: the peak, if not told; ``history``: where more of the samples can be had."""
        self._fmt = fmt
        self._history = history
        self._native = native
        self.steps, self._step = _edges.in_steps(native, fmt)
        self.peak = peak
        self.first = peak if first is None else first
        self.start = start
        self._junctions: dict[tuple[int, int | None], Junction | None] = {}
        self._sides: dict[tuple[int, int, bool], _long.Sides] = {}
        self._ceilings: dict[int, _tops.Ends] = {}

    @property
    def tracks(self) -> range:
        return range(len(self.steps))

    @property
    def rate_hz(self) -> int:
        return self._fmt.rate_hz

    def junction(self, track: int, *, at: int | None = None) -> Junction | None:
        key = track, at
        if key not in self._junctions:
            self._junctions[key] = _junction.looked_at(self.steps[track], self.peak, at=at)
        return self._junctions[key]

    def jumps(self, tracks: list[int], frame: int) -> list[float]:
        """How far each of some tracks jumps at a frame that another one tells."""
        return _junction.jumps_at(self.steps[tracks], frame)

    def sides(self, track: int, frame: int, *, back: bool = False) -> _long.Sides:
        """A longer look at both sides of a frame: from before it, or ``back`` from behind it."""
        key = track, frame, back
        if key not in self._sides:
            x, at = self.far(track, frame)
            x, at = (x[::-1], len(x) - at) if back else (x, at)
            self._sides[key] = _long.Sides(x, at, self.rate_hz)
        return self._sides[key]

    def shares(self, track: int, frame: int) -> tuple[Share, Share]:
        """How much of what sounds before a frame goes on behind it, and the other way about."""
        ahead, back = self.sides(track, frame), self.sides(track, frame, back=True)
        return ahead.goes_on(), back.goes_on()

    def late(self, track: int, frame: int) -> bool:
        """Whether a few frames that are lost explain what seems to begin at a frame."""
        return any(self.sides(track, frame, back=back).late() for back in (False, True))

    def stretch(
        self, track: int, start: int, stop: int, reach: int
    ) -> tuple[NDArray[np.float64], int]:
        """The samples of a stretch of the capture, with up to so many on each side.

        In steps of the word, and where the stretch begins.
        """
        return self.around(track, start - self.start, reach + stop - start)

    def beyond(self, track: int, start: int, stop: int, *, slack: int) -> _long.Beyond:
        """What stands beyond a stretch that does not belong there, by the long look."""
        rate_hz = self._fmt.rate_hz
        x, at = self.around(track, start, _long.reach(rate_hz) + stop - start)
        return _long.beyond(x, at, at + stop - start, rate_hz, slack=slack)

    def far(self, track: int, frame: int) -> tuple[NDArray[np.float64], int]:
        """As many frames on each side of one as a longer look takes, and where it lies."""
        return self.around(track, frame, _long.reach(self.rate_hz))

    def in_time(self, track: int, frame: int, seconds: float) -> bool | None:
        """Whether the programme surely goes on in time so long behind a frame."""
        stop = frame + round(seconds * self.rate_hz)
        x, at = self.around(track, frame, _long.reach(self.rate_hz) + stop - frame)
        return _long.in_time(x, at, at + stop - frame, self.rate_hz)

    def around(self, track: int, frame: int, reach: int) -> tuple[NDArray[np.float64], int]:
        """Up to so many frames on each side of one, in steps of the word, and where it lies."""
        if self._history is None:
            return self.steps[track], frame
        at = self.start + frame
        start = max(at - reach, self._history.start, 0)
        row = self._history.row(track, start, at + min(reach, _HELD_BEHIND))
        return _edges.in_steps(row, self._fmt)[0], at - start

    def side(self, track: int, frame: int, found: Junction) -> _causes.Side:
        return _causes.Side(self.steps[track], frame, found.whitening, found.floor)

    def past(self, track: int, frame: int) -> _causes.Side:
        """The place by its past alone."""
        x = self.steps[track]
        return _causes.Side(x, frame, *_predict.known(x[:frame], ORDER))

    def still(self, track: int) -> _still.Still | None:
        """Samples that stand still next to the peak."""
        return _still.at(self._native[track], self.steps[track], self.peak)

    def flat(self, track: int) -> bool:
        """Whether tops are cut off nearby: their corners jump too, and clipping tells of them."""
        return _tops.near(self.steps[track], self.peak, self._ends(track), full=1 / self._step)

    def cut_off(self, track: int, frame: int, deviation: float) -> bool:
        """Whether a sample belongs to a clipped top."""
        ends = self._ends(track)
        return _tops.cut_off(self.steps[track], frame, deviation, ends, full=1 / self._step)

    def crest(self, track: int, found: Junction) -> bool:
        """Whether one sample explains a jump as well, and belongs to a clipped top."""
        return found.word <= found.sides and self.cut_off(track, found.word_frame, found.deviation)

    def corner(self, track: int, frame: int) -> bool:
        """Whether a frame lies where a clipped top begins or ends, or within one."""
        return _tops.corner(self.steps[track], frame, self._ends(track))

    def off_tops(self, track: int, found: Junction) -> bool:
        """Whether a jump is no corner of a top, though some are cut off nearby.

        It towers, or is a cut far from the level at which they are, or beside some that leave
        nothing.
        """
        here = self.steps[track, max(found.frame - ORDER, 0) : found.frame + ORDER]
        low, high = self._ends(track)
        far = bool((here < low).all() and (here > high).all())
        if not far and found.jump >= _junction.SHARP:
            far = _tops.leave_nothing(self.steps[track], found.frame, (low, high))
        return (found.cut and far) or self.leaps(track, found)

    def _ends(self, track: int) -> _tops.Ends:
        """The ceilings of a track: dear to find, and asked for several times."""
        if track not in self._ceilings:
            self._ceilings[track] = _tops.ceilings(self.steps[track])
        return self._ceilings[track]

    def towers(self, track: int, frame: int, deviation: float) -> bool:
        """Whether a sample deviates by far more than any beside it from the one before."""
        near = self.steps[track, max(frame - _BESIDE, 0) : frame + _BESIDE].copy()
        near[min(frame, _BESIDE)] -= deviation
        return abs(deviation) >= _TOWERS * float(np.abs(np.diff(near)).max())

    def leaps(self, track: int, found: Junction) -> bool:
        """Whether a jump and at most its other end are by far the largest steps near: no corner."""
        steps = np.abs(np.diff(self.steps[track]))
        jump = float(steps[found.frame - 1])
        beside = np.delete(steps[max(found.frame - _BESIDE, 0) : found.frame + _BESIDE],
                           min(found.frame, _BESIDE) - 1)  # fmt: skip
        high = jump >= _TOWERS * float(np.sort(beside)[:-_OTHER_END].max(initial=0.0))
        return high and self.alone(track, found, but=_OTHER_END)

    def stands_off(self, track: int, start: int, stop: int) -> bool:
        """Whether both edges of a stretch are by far larger steps than any beside it.

        A sound that begins or ends leaves one such step at most.
        """
        steps = np.abs(np.diff(self.steps[track]))
        edges = steps[[start - 1, stop - 1]]
        before, behind = steps[max(start - _BESIDE, 0) : start - 1], steps[stop:][:_BESIDE]
        beside = max(float(before.max(initial=0)), float(behind.max(initial=0)))
        return float(edges.min()) >= _TOWERS * beside > 0

    def witnesses(self, tracks: list[int], frame: int) -> bool:
        """Whether two of the tracks move by themselves around a frame: one source that leaks into
        other tracks jumps on all of them, and is one witness."""
        around = self.steps[tracks, max(frame - _WITNESS, 0) : frame + _WITNESS]
        return _several(np.diff(around, 2, axis=1))

    def sources(self, tracks: list[int], frame: int) -> bool:
        """Whether two of the tracks move by themselves on either side of a cut, the cut apart."""
        rows = self.steps[tracks]
        sides = rows[:, : frame - 1], rows[:, frame + 1 :]
        return _several(np.concatenate([np.diff(side, axis=1) for side in sides], axis=1))

    def steep(self, track: int, found: Junction) -> bool:
        """Whether a cut is steeper than what comes off a tape, and both its sides are still."""
        high_rate = self._fmt.rate_hz >= _steep.LEAST_RATE_HZ
        return high_rate and found.still and _steep.steep(self.steps[track], found.frame)

    def alone(self, track: int, found: Junction, *, but: int = 0) -> bool:
        """Whether nothing half as high comes near a cut, within a tenth of a second, ``but`` few.

        What jumps in each of its periods, as a sawtooth does, may be cut anywhere by itself.
        """
        height = found.jump * found.right
        return self._alone(track, found.frame, found.frame, found.whitening, height, but=but)

    def stretch_alone(self, track: int, start: int, stop: int, jump: float) -> bool:
        """The same of a stretch of samples, of so many standard deviations of its past."""
        past = self.past(track, start)
        return self._alone(track, start, stop, past.whitening, jump * past.floor)

    def is_sound(self, track: int, start: int, stop: int) -> bool:
        """Whether a stretch comes again, or came from another track, as no fault does."""
        whitening = self.past(track, start).whitening
        return self._comes_again(track, start, stop, whitening) or self._was_elsewhere(
            track, start, stop, whitening
        )

    def _was_elsewhere(
        self, track: int, start: int, stop: int, whitening: NDArray[np.float64]
    ) -> bool:
        rate_hz = self._fmt.rate_hz
        reach = stop - start + round(2 * _elsewhere.FARTHEST_S * rate_hz)
        x, at = self.around(track, start, reach)
        others = (self.around(k, start, reach)[0] for k in self.tracks if k != track)
        return _elsewhere.heard(x, others, at, at + stop - start, whitening, rate_hz)

    def _comes_again(
        self, track: int, start: int, stop: int, whitening: NDArray[np.float64]
    ) -> bool:
        """Whether a stretch comes again soon behind itself, as what goes round in a string."""
        rate_hz = self._fmt.rate_hz
        reach = 2 * (stop - start) + round(_comes_again.LONGEST_S * rate_hz)
        x, at = self.around(track, start, reach)
        return _comes_again.comes_again(x, at, at + stop - start, whitening, rate_hz)

    def _alone(
        self,
        track: int,
        start: int,
        stop: int,
        whitening: NDArray[np.float64],
        height: float,
        *,
        but: int = 0,
    ) -> bool:
        x, at = self.around(track, start, _long.reach(self._fmt.rate_hz))
        size = np.abs(_predict.forward(x, whitening))
        size[:ORDER] = 0
        size[at - 2 * ORDER : at + stop - start + 2 * ORDER] = 0
        high = np.flatnonzero(size > _HALF * height)
        return bool(np.count_nonzero(np.diff(high, prepend=-len(x)) > 2 * ORDER) <= but)

    def silent(self, start: int, stop: int) -> bool:
        """Whether all tracks are zero from ``start`` to before ``stop``."""
        return not self._native[:, start:stop].any()

    def no_bend(self, track: int, found: Junction) -> bool:
        """Whether a jump is more than a bend in what was reckoned and never met a converter."""
        if self._step > FINE_STEP or not found.noisy:
            return found.noisy
        still = min(found.left, found.right) < CONVERTER * _predict.rounding(found.whitening)
        height = found.jump * max(found.left, found.right)
        return not still or height >= BEND * float(np.abs(self.steps[track]).max())

    def again(self, track: int, frame: int) -> int:
        """How many frames before ``frame`` come again bit for bit behind it; 0 if none do."""
        x = self._native[track]
        for count in range(_LEAST_AGAIN, MOST_AGAIN + 1):
            before, behind = x[frame - count : frame], x[frame : frame + count]
            if np.array_equal(before, behind) and bool((before != before[0]).any()):
                return count
        return 0

    def news(self, track: int, found: Junction) -> float:
        """How far what follows is other than what was before, by the filter of either side.

        1 where both sides are one programme; the larger of both residuals, over its floor.
        """
        x = self.steps[track]
        before, behind = x[: found.frame], x[found.frame :]
        out = 0.0
        for own, other, floor in ((before, behind[:_NEWS], found.right),
                                  (behind, before[-_NEWS:], found.left)):  # fmt: skip
            residual = _predict.forward(other, _predict.fitted(own, ORDER))[ORDER:]
            if len(residual):
                out = max(out, float(np.sqrt(np.mean(residual**2))) / floor)
        return out

    def parted(self, track: int, found: Junction) -> bool:
        """Whether one programme stands on both sides of a cut and does not go on across it.

        What follows is held against the linear prediction of what was before (``_predict``) gone
        on with for a while, and the other way about: in the signal and in its first differences,
        wherever such a prediction holds before the cut. A sound that begins or ends on top of
        another, however sharply, leaves over no more than its own energy.
        """
        x = self.steps[track]
        before, behind = x[: found.frame], x[found.frame :]
        return _left_over(before, behind) and _left_over(behind[::-1], before[::-1])


def _several(moves: NDArray[np.float64]) -> bool:
    size = np.sqrt(np.sum(moves * moves, axis=1))
    alike = np.abs(moves @ moves.T) / np.maximum(np.outer(size, size), 1e-300)
    return bool((alike < _ONE_SOURCE).any())


def _left_over(known: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    """Whether ``known`` foretells itself, but nothing of ``other``, which is about as strong."""
    known, other = known[-_KNOWN:], other[:_STRENGTH]
    if len(known) < 4 * _LONG + _CARRIED or len(other) < _STRENGTH:
        return False
    whitening = _predict.fitted(known, _LONG)
    own = known[-_CARRIED:] - _predict.continued(known[:-_CARRIED], whitening, _CARRIED)
    left = other[:_CARRIED] - _predict.continued(known, whitening, _CARRIED)
    known = known[-_STRENGTH:]
    for _ in range(_DIFFERENCES + 1):
        before, behind = float(np.mean(known**2)), float(np.mean(other**2))
        steady = before <= _LOUDER * behind and behind <= _LOUDER * before
        foretold = float(np.mean(own**2)) <= _FORETOLD * before
        if steady and foretold and float(np.mean(left**2)) >= _NEW * behind > 0:
            return True
        own, left, known, other = (np.diff(part) for part in (own, left, known, other))
    return False
