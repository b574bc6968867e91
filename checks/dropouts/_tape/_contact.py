"""Short falls of the hiss: where the tape may have left the head for some milliseconds.

Tape hiss is steady noise, and nothing that was ever played can press it down: in a rest the
level falls to the hiss, never below. So what is looked for is less than hiss. The sum of the
band energies of some hops, each over the hiss of its band, follows a chi-square law; what is
left of it is weighed by the Chernoff bound of that law (H. Chernoff, Ann. Math. Stat. 23 (1952)
493), with the degrees of freedom that the overlapping bands really have.

This module finds and measures candidates with what is known near the place; ``_judge`` decides
once the whole capture is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._tape._bands import HISS, FilterBank, Floats
from checks.dropouts._tape._crests import at_other_crests, is_furthest
from checks.dropouts._tape._floors import PART_QUANTILE_DB
from checks.dropouts._tape._stretches import spans

PART_HOPS: Final = 32
REACH_HOPS: Final = 2048  # looked at on either side: some 740 ms, and the longest lift told here
_SCALES: Final = (2, 4, 8, 16, 32, 64, 128)  # hops, 0.7 to 46 ms
_SMOOTH: Final = 4  # hops over which the edges of a lift show, but of a shorter one
_WIDE: Final = 16  # scale from which a longer one must show as well
_SCREEN: Final = 13.0  # nats against chance; the judge asks for more
_EDGE: Final = 0.55  # of the hiss: where a lift begins and ends
_SIDE_HOPS: Final = 32  # measured before and after
_GAP_HOPS: Final = 4  # kept clear of the slopes
_LEAST_SIDE_HOPS: Final = 8
_LEAST_HOPS: Final = 3  # 1 ms: half of the shortest that is asked for
_SHORT: Final = 4  # hops, 1.5 ms: a top that leaves nothing for less than that was cut flat
_NOTHING: Final = 0.01  # of the hiss, 20 dB under it; amplifiers lie 8 to 12 (common practice)
_LEAST_DEEPER: Final = 24  # hops of a candidate within which a shorter one is looked for
_DEEPER: Final = 0.4  # of the candidate's own level
_NO_HISS: Final = 0.05  # of the hiss, in single hops: 13 dB under it, one in 20 of a lone band
_GAPS: Final = 0.25  # of the hops beside a place: between the edges of a square wave is nothing
_SAME: Final = 1.3  # 1 dB: what steady noise does by itself from look to look (own trials)
_QUIETEST: Final = 0.15  # of the parts of a look: no more of them need show the hiss
_QUIET_BESIDE: Final = 0.2  # the same beside a machine that stands, which takes a while to start
_STEADY_BESIDE: Final = 0.4  # up to that share it is steady noise
_STANDS_PARTS: Final = 26  # 0.3 s: less than any machine stands (from memory)
_HEARD_PARTS: Final = 13  # 0.15 s: of less nothing is told
_HIGHER: Final = 2.5  # 4 dB: amplifiers lie 8 dB and more under the hiss (common practice)
_LOUDER: Final = 1.5  # in the mean of the bands: in 12 ms steady noise stays under it (own trials)
_LOOKS: Final = 16  # remembered, some 24 s: longer than most series of lifts (from memory)
_LEAST_LOOKS: Final = 3
_AGREE: Final = 0.3  # of them; programme covers the hiss of the others
_MOST_A_LOOK: Final = 64  # candidates a track and look; more are music over a hiss not yet heard


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A place where less than hiss was seen. Powers a band, full scale 1.0.

    Attributes:
        start, hops: place, in hops from the start of the capture.
        inner: hops of the part that speaks most clearly, over which ``level`` is the mean.
        level, before, after: (tracks, bands), there and beside the place.
        midst: of the own track in the middle of it, clear of the slopes, (bands,).
        crests: of the own track at other crests as high, where its wave stands at one, (bands,).
        silent: whether a hop held nothing at all: a digital matter, not the tape's.
    """

    track: int
    start: int
    hops: int
    inner: int
    level: Floats
    before: Floats
    after: Floats
    midst: Floats
    crests: Floats | None
    silent: bool


def evidence(ratio: float, dof: float) -> float:
    """Nats against chance of a mean of ``dof`` squares at ``ratio`` of what it should be."""
    if ratio >= 1.0:
        return 0.0
    return 0.5 * dof * (ratio - 1.0 - float(np.log(max(ratio, 1e-12))))


def ratio_for(nats: float, dof: float) -> float:
    """The largest ratio that still gives such evidence."""
    low, high = 1e-9, 1.0
    for _ in range(50):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if evidence(middle, dof) > nats else (low, middle)
    return low


class Screen:
    """Looks over all hops of all tracks, in sums of bands that music leaves free together."""

    def __init__(self, bank: FilterBank, most_ratio: float) -> None:
        f = bank.frequencies_hz
        hiss = np.arange(HISS, bank.bands)
        groups = (hiss[f[hiss] < 15_000], hiss[(f[hiss] >= 15_000) & (f[hiss] < 25_000)])
        self._groups = [g.tolist() for g in (*groups, hiss[f[hiss] >= 25_000]) if len(g)]
        count = len(self._groups)
        self._sets = [tuple(range(k, count)) for k in range(count)]
        self._sets += [(0,)] if count > 1 else []
        self._limits: list[list[float]] = []
        self._wide: list[float] = []
        self._heard: list[Floats] = []  # hiss of the last looks
        for members in self._sets:
            bands = [band for group in members for band in self._groups[group]]
            dof = bank.dof(bands)
            ratios = [min(ratio_for(_SCREEN, dof * n), most_ratio) for n in _SCALES]
            sums = zip(ratios, _SCALES, strict=True)
            self._limits.append([r * n * len(bands) for r, n in sums])
            self._wide.append(most_ratio * _WIDE * len(bands))

    def look(
        self, energies: Floats, swing: Floats, parts: Floats, first: int, last: int
    ) -> list[Candidate]:
        """Candidates whose middle lies in hops ``first`` to ``last`` of ``energies``.

        Args:
            energies: (bands, tracks, hops), with up to REACH_HOPS more on either side.
            swing: where the waves stand, (tracks, hops).
            parts: means of the energies over PART_HOPS hops each.

        Returns:
            Candidates with places counted from hop 0 of ``energies``.
        """
        if not self._groups or not parts.shape[2]:
            return []
        hiss, over_rests = self._levels(parts[HISS:])
        found = self._seen(energies, swing, hiss, np.arange(hiss.shape[1]), (first, last))
        higher = np.flatnonzero(np.isfinite(over_rests).all(axis=0))
        again = (
            self._seen(energies, swing, over_rests, higher, (first, last)) if len(higher) else []
        )
        known = {(one.track, one.start, one.hops) for one in found}
        return found + [k for k in again if (k.track, k.start, k.hops) not in known]

    def _seen(
        self,
        energies: Floats,
        swing: Floats,
        hiss: Floats,
        tracks: NDArray[np.intp],
        place: tuple[int, int],
    ) -> list[Candidate]:
        """Candidates of some tracks by some hiss, (bands, tracks), in hops from one to another."""
        first, last = place
        reach = _SCALES[-1]
        low, high = max(first - reach, 0), min(last + reach, energies.shape[2])
        over = np.float32(1.0) / hiss[:, tracks]
        near = (
            energies[:, :, low:high]
            if len(tracks) == hiss.shape[1]
            else energies[:, tracks, low:high]
        )
        sums = []
        for group in self._groups:
            total = near[group[0]] * over[group[0] - HISS][:, None]
            for band in group[1:]:
                total += near[band] * over[band - HISS][:, None]
            sums.append(total)
        marks: dict[int, list[tuple[int, int]]] = {}
        for number, members in enumerate(self._sets):
            total = sums[members[0]]
            for group in members[1:]:
                total = total + sums[group]
            self._mark(total, number, marks)
        found = []
        for row, places in sorted(marks.items()):
            track = int(tracks[row])
            for start, stop in _merged(places)[:_MOST_A_LOOK]:
                if first <= low + (start + stop) // 2 < last:
                    at = low + start, low + stop
                    one = _measured(energies, swing, hiss[:, track], track, *at)
                    if one:
                        found += [one, *_deeper(energies, swing, one)]
        return found

    def _levels(self, parts: Floats) -> tuple[Floats, Floats]:
        """The hiss of a look, and what it may be where that is a machine that stands, or a rest.

        The hiss is the quietest sixth, or what it was in the looks before, where enough of them
        agree: a lift of half a second covers the quietest sixth of two looks, and several do of
        more. But what lasts for longer than any lift is a rest, behind programme that had none, or
        no tape runs there.

        Args:
            parts: (bands, tracks, parts).

        Returns:
            Both (bands, tracks); the second NaN where there is but one.
        """
        hiss = _quiet(parts, _QUIETEST)
        heard = np.array(self._heard)
        self._heard = [*self._heard[1 - _LOOKS :], hiss]
        quiet = (parts / hiss[:, :, None]).mean(axis=0) <= _LOUDER
        over_rests = _over_rests(parts, hiss, quiet)
        if len(heard) < _LEAST_LOOKS:
            return hiss, over_rests
        usual = np.sort(heard, axis=0)[len(heard) // 2]
        near = (heard <= _SAME * usual) & (_SAME * heard >= usual)
        steady = near.sum(axis=0) >= max(_LEAST_LOOKS, _AGREE * len(heard))
        usual = np.where(steady, np.maximum(hiss, usual), hiss)
        rests = _longest(quiet) > REACH_HOPS // PART_HOPS
        return np.where(rests, hiss, usual), over_rests

    def _mark(self, total: Floats, number: int, marks: dict[int, list[tuple[int, int]]]) -> None:
        """Notes, a track, the hops (start, stop) in which some scale shows less than its limit."""
        for scale, limit in zip(_SCALES, self._limits[number], strict=True):
            half = scale // 2
            if total.shape[1] <= half:
                return
            total = total[:, :-half] + total[:, half:]
            least = total.min(axis=1)
            for track in np.flatnonzero(least < limit):
                at = np.flatnonzero(total[track] < limit)
                ends = np.flatnonzero(np.diff(at, append=at[-1] + 2) > 1)
                begins = np.concatenate(([0], ends[:-1] + 1))
                marks.setdefault(int(track), []).extend(
                    (int(at[a]), int(at[b]) + scale) for a, b in zip(begins, ends, strict=True)
                )
            if scale == _WIDE and not (least < self._wide[number]).any():
                return


def _quiet(parts: Floats, share: float) -> Floats:
    """The level of noise of which parts, (..., parts), are heard alone in a share of the time."""
    rank = int(share * (parts.shape[-1] - 1))
    low = np.partition(parts, rank, axis=-1)[..., rank]
    return np.asarray(np.maximum(low * 10 ** (-PART_QUANTILE_DB / 10), np.float32(1e-16)))


def _over_rests(parts: Floats, hiss: Floats, quiet: NDArray[np.bool_]) -> Floats:
    """What is the quietest of each track beside stretches in which most are, (bands, tracks).

    Beside a machine that stands the hiss of the tape may be heard for a moment only. NaN where no
    such stretch is, or what is heard beside it is hardly louder, or no steady noise.

    Args:
        parts: (bands, tracks, parts); ``hiss``: (bands, tracks).
        quiet: where a track is at its hiss, (tracks, parts).
    """
    out = np.full(hiss.shape, np.nan, np.float32)
    beside = np.ones(quiet.shape[1], np.bool_)
    for first, last in spans(3 * quiet.sum(axis=0) >= 2 * len(quiet)):
        beside[first:last] = last - first < _STANDS_PARTS
    if beside.all() or np.count_nonzero(beside) < _HEARD_PARTS:
        return out
    found, usual = (_quiet(parts[:, :, beside], share) for share in (_QUIET_BESIDE, _STEADY_BESIDE))
    steady = (found > _HIGHER * hiss) & (usual < _SAME * _SAME * found)
    heard = 2 * np.count_nonzero(steady, axis=0) >= len(found)
    out[:, heard] = found[:, heard]
    return out


def _longest(flags: NDArray[np.bool_]) -> NDArray[np.intp]:
    """The longest run of True in each row."""
    return np.array([max((b - a for a, b in spans(row)), default=0) for row in flags], np.intp)


def _merged(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans that touch or overlap, as one."""
    out: list[tuple[int, int]] = []
    for start, stop in sorted(spans):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], stop))
        else:
            out.append((start, stop))
    return out


def _measured(
    energies: Floats, swing: Floats, hiss: Floats, track: int, start: int, stop: int
) -> Candidate | None:
    """Finds the edges of what lies between two hops, and the levels within and beside it."""
    hops = energies.shape[2]
    own = energies[HISS:, track]
    low = _least_mean(own[:, start:stop]) < 0.6 * hiss
    if not low.any():
        return None
    begin, end = max(0, start - REACH_HOPS), min(hops, stop + REACH_HOPS)
    single = (own[low, begin:end] / hiss[low, None]).mean(axis=0)
    smooth = min(_SMOOTH, stop - start)
    course = np.convolve(single, np.full(smooth, 1 / smooth), "same")
    high = np.flatnonzero(course >= _EDGE)
    deepest = start - begin + int(np.argmin(course[start - begin : stop - begin]))
    k = int(np.searchsorted(high, deepest))
    a = begin + (int(high[k - 1]) + 1 if k else 0)
    b = begin + (int(high[k]) if k < len(high) else end - begin)
    if b - a > REACH_HOPS or b <= a:
        return None
    wide = max(begin, a - smooth // 2)  # beside programme, a smoothed lift is narrow
    core, width = _deepest(single[wide - begin : b - begin + smooth // 2])
    core += wide
    a, b = min(a, core), max(b, core + width)
    while a > begin and single[a - 1 - begin] < _EDGE and b - a < _SMOOTH:
        a -= 1
    while b < end and single[b - begin] < _EDGE and b - a < _SMOOTH:
        b += 1
    inner = energies[:, :, core : core + width]
    if b - a < _LEAST_HOPS:
        return None
    before = energies[:, :, max(0, a - _GAP_HOPS - _SIDE_HOPS) : max(0, a - _GAP_HOPS)]
    after = energies[:, :, b + _GAP_HOPS : b + _GAP_HOPS + _SIDE_HOPS]
    if min(before.shape[2], after.shape[2]) < _LEAST_SIDE_HOPS:
        return None
    left = inner[HISS:, track].mean(axis=1) / hiss
    empty = width < _SHORT and 2 * np.count_nonzero(left < _NOTHING) > len(left)
    if empty and is_furthest(swing[track, begin:end], core - begin, core - begin + width):
        return None
    sides = np.append(
        single[max(0, a - begin - _GAP_HOPS - _SIDE_HOPS) : max(0, a - begin - _GAP_HOPS)],
        single[b - begin + _GAP_HOPS : b - begin + _GAP_HOPS + _SIDE_HOPS],
    )
    if len(sides) and float((sides < _NO_HISS).mean()) > _GAPS:
        return None
    slope = width // 4
    first, last = core + slope, core + width - slope
    near = slice(begin, end)
    crests = at_other_crests(
        energies[:, track, near],
        single,
        swing[track, near],
        first - begin,
        last - begin,
        b - a + _GAP_HOPS,
    )
    return Candidate(
        track=track,
        start=a,
        hops=b - a,
        inner=width,
        level=inner.mean(axis=2).T,
        before=before.mean(axis=2).T,
        after=after.mean(axis=2).T,
        midst=energies[:, track, first:last].mean(axis=1),
        crests=crests,
        silent=bool((energies[:, track, a:b].max(axis=0) <= 0).any()),
    )


def _least_mean(levels: Floats) -> Floats:
    """Mean of each band over the quietest three quarters in one piece: beside it, music goes on."""
    width = levels.shape[1] - levels.shape[1] // 4
    sums = np.pad(np.cumsum(levels, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    means = (sums[:, width:] - sums[:, :-width]) / width
    return np.asarray(means.min(axis=1), np.float32)


def _deeper(energies: Floats, swing: Floats, one: Candidate) -> list[Candidate]:
    """What falls further within a candidate that may be but a quieter moment of the music.

    Where the hiss near a place is covered, a lift is less than the music, too.
    """
    if one.silent or one.hops < _LEAST_DEEPER:
        return []
    level = one.level[one.track, HISS:]
    own = energies[HISS:, one.track, one.start : one.start + one.hops]
    course = np.convolve((own / level[:, None]).mean(axis=0), np.full(4, 0.25), "same")
    at = int(np.argmin(course))
    if course[at] > _DEEPER:
        return []
    place = one.start + max(0, at - 2)
    inner = _measured(energies, swing, level, one.track, place, place + 4)
    return [inner] if inner and inner.hops < one.hops else []


def _deepest(course: NDArray[np.floating]) -> tuple[int, int]:
    """The run of hops that speaks most clearly, without the slopes: (first, count)."""
    best = (0.0, 0, len(course))
    sums = np.concatenate(([0.0], np.cumsum(course, dtype=np.float64)))
    width = min(_SCALES[0], len(course))
    while width <= len(course):
        means = (sums[width:] - sums[:-width]) / width
        first = int(np.argmin(means))
        best = max(best, (evidence(float(means[first]), width), first, width))
        width += max(1, width // 16)
    return best[1], best[2]
