"""Words that are wrong at a regular distance: every second, eighth or 32nd one stands at one value.

A bus that drops each n-th word, a buffer of which one place is never filled: that word comes at
zero or another value again and again, to the bit, while those between it are sound; or its lower
bits do. Two samples of a real input are equal by chance with a share p of all, so that n of them in
a row are with p^n: 2**-64 for the fewest that are told; p is counted in the words between.

What a machine makes may pass through one value at each n-th sample (a tone whose period is some
samples long, and fades), or be cut off there: the first lies midway between its neighbours, the
second is no further from them than others are. Where words are equal all along, as in rests
without noise, nothing is told.

Distances are those that divide 96: 2, 3, 4, 6, 8, 12, 16, 24, 32, 48 and 96. A stretch is screened
by the lowest eight bits (floats: by all) of 96 words in every so many, held against the 96 before.

Not seen: other distances (64 and more the steps tell one by one); stretches shorter than some 10
ms (13 ms at 44.1 kHz) or 16 such words; words that differ from one to the next; floats
of 64 bits, and the lower bits of others.
Lower bits that stand in each n-th word alone may also come from words of fewer bits brought to a
higher rate by a filter that leaves them as they are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from checks._runs import long_runs, true_runs
from checks.block import BLOCK_FRAMES, Block
from checks.dropouts._events import Event, EventLog, told_together
from checks.dropouts._history import History
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.model import CaptureFormat, Remedy, Samples, Value, Verdict, length_told, milliseconds
from checks.sheet import Sheet, TrackKind

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]

SPACED: Final = "spaced"
"""Cause of such steps."""

LAG: Final = 96  # 2 * 2 * 2 * 2 * 2 * 3, and less than what stands before a block
_DISTANCES: Final = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 96)
_BITS: Final = 8  # the lowest: equal by chance once in 256 words of noise
_WINDOWS: Final = 3  # in a row in which a word must come again: noise does so once in 1e7
_WITHIN_S: Final = 0.003  # from one window to the next, or 192 frames; own choice
_LEAST: Final = 16  # words
_WHOLE: Final = 0.8  # of a run whose lowest bits are equal; some more may be at its ends by chance
_ODDS: Final = 64.0  # powers of two
_COLUMN: Final = 10.0  # the same for one word of each window, to be looked at (own choice)
_MIDWAY: Final = 0.5
"""Least distance from the middle of the neighbours, over half the distance of these from each
other: a word that is passed through lies at 0, one among noise at 1."""

_TOWERS: Final = 4.0
"""Times as far from its neighbours as the words between are, where all of these lie on one side of
it, as behind a ceiling; own trials: cut tones 0.5 to 2."""


@dataclass(slots=True)
class _Spaced:
    """Every so manieth word of a track, from frame ``start`` to before ``stop``.

    Attributes:
        bits: of each word, from the lowest on, that stand still; more than it has are all of it.
        zero: whether they stand at zero.
    """

    every: int
    start: int
    stop: int
    bits: int
    zero: bool

    @property
    def words(self) -> int:
        return (self.stop - 1 - self.start) // self.every + 1

    def goes_on(self, other: _Spaced) -> bool:
        """Whether it and an earlier one are the same."""
        same = self.every == other.every and (self.start - other.start) % self.every == 0
        return same and other.start <= self.start <= other.stop + LAG


class SpacedPart:
    """Wrong words at a regular distance, over one capture; ``history`` sees each block first."""

    def __init__(
        self, fmt: CaptureFormat, sheet: Sheet, limits: DropoutsLimits, history: History
    ) -> None:
        self._fmt = fmt
        self._history = history
        tracks = range(fmt.channels)
        self._asked = [t for t in tracks if sheet.track(t).kind is not TrackKind.UNUSED]
        self._unused = 0 if fmt.floating else max(32 - fmt.word_length, 0)
        # the lowest bits of a float stand still wherever the words it came of are small
        low = ((1 << _BITS) - 1) << self._unused & 0x7FFFFFFF
        self._mask = np.int32(-1 if fmt.floating else low)
        self._every = 2 * LAG * max(1, round(_WITHIN_S * fmt.rate_hz / (2 * LAG)))
        self._open: dict[int, list[_Spaced]] = {}
        self._told = [0] * fmt.channels  # what ends up to here
        self._log = EventLog(listed=limits.listed_digital, gap=told_together(fmt.rate_hz))
        self._counts = [0] * fmt.channels

    def feed(self, block: Block) -> None:
        if block.with_lead.dtype.itemsize != 4:
            return
        seen = self._seen(block)
        for track in self._asked:
            if seen[track] or track in self._open:
                self._look(block, track)

    def finish(self) -> PartOutcome:
        for track in sorted(self._open):
            self._tell(track, self._open[track])
        return PartOutcome(findings=self._log.findings(), counts={"steps": self._counts})

    def _seen(self, block: Block) -> Flags:
        """(tracks,): where words come again after a distance, window after window."""
        x = block.with_lead[:, block.lead and block.lead - LAG :].view(np.int32)
        count = (x.shape[1] - 2 * LAG) // self._every + 1
        if count < _WINDOWS:
            return np.zeros(len(x), np.bool_)
        shape = len(x), count, LAG
        strides = (x.strides[0], self._every * x.itemsize, x.itemsize)
        before = as_strided(x, shape, strides, writeable=False)
        moves = before ^ as_strided(x[:, LAG:], shape, strides, writeable=False)
        moves &= self._mask
        for _ in range(_WINDOWS - 1):
            moves = moves[:, :-1] | moves[:, 1:]
        out: Flags = (moves == 0).any(axis=(1, 2))
        return out

    def _look(self, block: Block, track: int) -> None:
        """Go on with what is open on a track, and take what begins in this block or the last."""
        first = max(block.start - BLOCK_FRAMES, self._history.start, 0)
        words = self._history.row(track, first, block.stop)
        over, before = [], self._open.pop(track, [])
        for one in _found(words, self._mask, self._unused):
            one.start, one.stop = one.start + first, one.stop + first
            for other in (other for other in before if one.goes_on(other)):
                one.start = other.start
                before.remove(other)
                break
            if one.stop > block.stop - 2 * LAG:
                self._open.setdefault(track, []).append(one)
            elif one.stop > self._told[track]:
                over.append(one)
        self._tell(track, [*before, *over])

    def _tell(self, track: int, over: list[_Spaced]) -> None:
        for one in sorted(over, key=lambda one: one.start):
            self._told[track] = max(self._told[track], one.stop)
            self._counts[track] += 1
            self._log.add(self._event(track, one), within=2 * one.every)

    def _event(self, track: int, one: _Spaced) -> Event:
        frames, rate_hz = one.stop - one.start, self._fmt.rate_hz
        which = "second" if one.every == 2 else "third" if one.every == 3 else f"{one.every}th"
        text = f"Every {which} word "
        values: dict[str, Value] = {"cause": SPACED, "every_frames": one.every}
        if one.bits < 32 - self._unused:
            values["still_bits"] = one.bits
            text = f"In every {which} word the lowest {one.bits} bits stand still"
        else:
            text += "is 0" if one.zero else "stands at one and the same value"
        text += (
            f" for {length_told(frames, rate_hz)}, {one.words:,} words in all, though those "
            "between move: words are lost at a regular distance; play the tape again."
        )
        values |= {"wrong_words": one.words, "length_ms": milliseconds(frames, rate_hz)}
        return Event(
            kind="step",
            verdict=Verdict.REDO,
            remedy=Remedy.REPLAY,
            tracks=(track,),
            start=one.start,
            stop=one.stop,
            text=text,
            values=values,
        )


def _found(samples: Samples, mask: np.int32, unused: int) -> Iterator[_Spaced]:
    """Words at a regular distance in a row of a track."""
    words = samples.view(np.int32)
    rows = (len(words) - LAG) // LAG
    if rows < _WINDOWS:
        return
    moves = (words[LAG : LAG + rows * LAG] ^ words[: rows * LAG]) & mask
    equal = (moves == 0).reshape(rows, LAG)
    again = equal.copy()
    for _ in range(_WINDOWS - 1):
        again = again[:-1] & again[1:]
    bits = -np.log2(equal.mean(axis=1).clip(2.0**-_BITS, 1.0))
    done: set[tuple[int, int]] = set()
    for column in np.flatnonzero(again.any(axis=0)).tolist():
        for a, b in zip(*true_runs(again[:, column]), strict=True):
            if float(bits[a : b + _WINDOWS - 1].sum()) < _COLUMN:
                continue  # by chance: rests of coarse words have many
            middle = equal[(a + b + _WINDOWS) // 2 - 1]  # all of it lies within the stretch
            every = next(k for k in _DISTANCES if middle[column % k :: k].all())
            if every == 1 or (every, column % every) in done:
                continue
            done.add((every, column % every))
            yield from _runs(samples, column % every, every, mask, unused, bits)


def _runs(
    samples: Samples, phase: int, every: int, mask: np.int32, unused: int, odds: Floats
) -> Iterator[_Spaced]:
    """``odds``: powers of two against one equal word, in each window of ``LAG`` frames."""
    some = samples.view(np.int32)[phase::every]
    for a, b in long_runs((some[1:] ^ some[:-1]) & mask == 0, _LEAST - 1):
        first, last = a, b + 1
        near = odds[(phase + first * every) // LAG : (phase + last * every) // LAG + 1]
        if (last - first) * float(near.sum()) < _ODDS / 4 * len(near):
            continue  # a cheap look: in rests of coarse words most are equal
        same = some[first:last] == some[(first + last) // 2]
        if float(np.mean(same)) > _WHOLE:  # but for chance at the ends
            at = np.flatnonzero(same)
            first, last = first + int(at[0]), first + int(at[-1]) + 1
        run = some[first:last]
        stand = ~int(np.bitwise_or.reduce(run) ^ np.bitwise_and.reduce(run)) >> unused
        bits = (~stand & (stand + 1)).bit_length() - 1 if stand != -1 else 32 - unused
        one = _Spaced(
            every,
            phase + first * every,
            phase + (last - 1) * every + 1,
            bits,
            zero=not run.any(),
        )
        if _proven(samples, one, mask, whole=bits >= 32 - unused):
            yield one


def _proven(samples: Samples, one: _Spaced, mask: np.int32, *, whole: bool) -> bool:
    """Whether neither chance nor a sound makes it."""
    x = samples[one.start : one.stop]
    words = x.view(np.int32)
    every = one.every
    equal = (words[every:] ^ words[:-every]) & mask == 0
    between = int(np.count_nonzero(equal)) - int(np.count_nonzero(equal[::every]))
    share = between / max(len(equal) - len(equal[::every]), 1)
    odds = -np.log2(max(share, 2.0**-_BITS))
    if one.words * odds < _ODDS:
        return False
    if not whole:
        return True
    x = x.astype(np.float64)
    before, behind = x[every - 1 : -1 : every], x[every + 1 :: every]
    count = min(len(before), len(behind))
    before, behind = before[:count], behind[:count]
    middle = (before + behind) / 2
    far = np.abs(x[0] - middle)
    if float(far.sum()) < _MIDWAY * float(np.abs(behind - before).sum()) / 2:
        return False
    if (middle > x[0]).any() and (middle < x[0]).any():
        return True
    bends = np.abs(x[1:-1] - (x[:-2] + x[2:]) / 2)  # of a word among its neighbours
    phases = np.arange(1, len(x) - 1) % every
    other = bends[(phases > 1) & (phases < every - 1)] if every > 3 else np.abs(behind - before) / 2
    return float(far.mean()) >= _TOWERS * float(other.mean())
