"""From what was measured above 20 kHz to findings: one plain sentence each, verdict and remedy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.model import Finding, Remedy, Value, Verdict, rounded
from checks.ultrasonic._images import Image
from checks.ultrasonic._limits import UltrasonicLimits
from checks.ultrasonic._lines import Line, usual_name
from checks.ultrasonic._movement import Absence
from checks.ultrasonic._wall import OWN_FILTER_HZ, Wall, lower_rates

CHECK: Final = "ultrasonic"
STEEPEST_DB_OCTAVE: Final = 1_000.0  # of filters that end a sampling rate's band: common practice
TOGETHER: Final = 1.06  # walls this near to each other are one
LONGEST_NOTE_S: Final = 3.0  # common practice
LEAKS_DB: Final = 20.0  # tracks that hear a line so much fainter are noted apart: neighbours of
# its own leak 25 dB down and less at these frequencies (from memory)
PROGRAMME_HZ: Final = 20_000.0  # a floor that falls below this takes what should be heard
LEAST_LINE_DBFS: Final = -140.0  # fainter lines are measured, not told: under any input's noise


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """Where a track's band ends, by its floor or by a mirror image; at least one is given."""

    rate_hz: float
    wall: Wall | None
    mirror: Image | None

    @property
    def hz(self) -> float:
        """The wall where the mirror lies near it, else the mirror."""
        if self.mirror is None or (self.wall and 0.85 < self.wall.hz / self.mirror.hz < 1.15):
            assert self.wall is not None
            return self.wall.hz
        return self.mirror.hz

    @property
    def rates_hz(self) -> tuple[int, ...]:
        """The lower rates that fit; empty: no preferred rate ends there."""
        if self.mirror is not None:
            return (round(2 * self.mirror.hz),)
        return lower_rates(self.wall, self.rate_hz) if self.wall is not None else ()

    @property
    def own_filter(self) -> bool:
        """Whether the converter's own filter explains it: high up, and of no lower rate."""
        return not self.rates_hz and self.hz >= OWN_FILTER_HZ


def brickwalls(
    endings: Mapping[int, Ending], limits: UltrasonicLimits, *, by_sheet: bool
) -> list[Finding]:
    """One finding for all tracks that end at about the same frequency for the same reason."""
    findings = []
    left = sorted(endings.items(), key=lambda item: (item[1].own_filter, item[1].hz, item[0]))
    while left:
        first = left[0][1]
        group = {
            track: ending
            for track, ending in left
            if ending.own_filter is first.own_filter and ending.hz <= first.hz * TOGETHER
        }
        left = [item for item in left if item[0] not in group]
        findings.append(
            _own_filter(group) if first.own_filter else _brickwall(group, limits, by_sheet=by_sheet)
        )
    return findings


def _own_filter(group: Mapping[int, Ending]) -> Finding:
    """The note on a floor that ends as a converter's own filter would end it."""
    walls = sorted((end.wall for end in group.values() if end.wall), key=lambda wall: wall.hz)
    wall = walls[len(walls) // 2]
    return Finding(
        check=CHECK,
        kind="own-filter",
        verdict=Verdict.CLEAR,
        remedy=Remedy.NONE,
        tracks=tuple(sorted(group)),
        text=f"The noise floor falls by {wall.depth_db:.0f} dB from {wall.hz / 1000:.1f} kHz on "
        f"({_steepness(wall)}), not as the band of a lower rate ends: a "
        "converter's own filter looks like that. Whether it is this converter's, its data sheet "
        "or a capture known to be good tells.",
        values={
            "from_hz": rounded(wall.hz, 0),
            "down_hz": rounded(wall.down_hz, 0),
            "depth_db": rounded(wall.depth_db, 1),
            "slope_db_per_octave": rounded(wall.slope_db_octave, 0),
            "width_hz": rounded(wall.width_hz, 0),
            "floor_above_dbfs_per_hz": rounded(wall.above_dbfs_hz, 1),
        },
    )


def _steepness(wall: Wall) -> str:
    """What falls within one or two narrow bands is not measured more exactly."""
    if wall.slope_db_octave > STEEPEST_DB_OCTAVE:
        return f"more than {STEEPEST_DB_OCTAVE:.0f} dB an octave"
    return f"{wall.slope_db_octave:.0f} dB an octave"


def _brickwall(group: Mapping[int, Ending], limits: UltrasonicLimits, *, by_sheet: bool) -> Finding:
    ends = list(group.values())
    hz = sorted(end.hz for end in ends)[len(ends) // 2]
    rates = sorted({rate for end in ends for rate in end.rates_hz})
    walls = [end.wall for end in ends if end.wall is not None]
    likeness = [end.mirror.likeness for end in ends if end.mirror is not None]
    redo = by_sheet or hz < limits.wall_redo_hz
    named = " or ".join(f"{rate / 1000:g}" for rate in rates)
    values: dict[str, Value] = {
        "brickwall_hz": rounded(hz, 0),
        "near_half_of_hz": list(rates),
        "likely_rate_hz": min(rates, key=lambda rate: abs(hz - rate / 2), default=None),
        "mirror_likeness": rounded(min(likeness)) if likeness else None,
    }
    if walls:
        least = min(walls, key=lambda wall: wall.depth_db)
        values |= {
            "depth_db": rounded(least.depth_db, 1),
            "slope_db_per_octave": rounded(least.slope_db_octave, 0),
            "width_hz": rounded(least.width_hz, 0),
            "floor_above_dbfs_per_hz": rounded(least.above_dbfs_hz, 1),
        }
        seen = (
            f"The noise floor itself falls by {least.depth_db:.0f} dB at {hz / 1000:.1f} kHz "
            f"({_steepness(least)})"
        )
        if likeness:
            seen += ", and what is left above mirrors what is below"
    else:
        seen = f"What stands above {hz / 1000:.1f} kHz is a mirror image of what stands below it"
    if rates:
        means = (
            f"near half of {named} kHz: this is material of that rate in a bigger file, or it "
            "went through a filter as steep"
        )
    else:
        means = (
            "and above it there is less than any converter's own noise: this is material of a "
            "lower rate in a bigger file, or was filtered since"
        )
    after = (
        "play the tape again at the full rate."
        if redo
        else "find out how this capture was made before it counts as one at its full rate."
    )
    return Finding(
        check=CHECK,
        kind="brickwall",
        verdict=Verdict.REDO if redo else Verdict.LISTEN,
        remedy=Remedy.REPLAY,
        tracks=tuple(sorted(group)),
        text=f"{seen}, {means}; {after}",
        values=values,
    )


def absent(found: Mapping[int, Absence], alone: Sequence[int], *, by_sheet: bool) -> list[Finding]:
    """Programme cut off near 20 kHz or below: one finding for those that tell the same.

    Args:
        alone: tracks whose programme ends before the tape while another one's goes on.
    """
    groups: dict[tuple[bool, bool, bool], dict[int, Absence]] = {}
    for track, gone in found.items():
        key = (track in alone, gone.early, not gone.like_a_wall)
        groups.setdefault(key, {})[track] = gone
    return [
        _absent(group, apart=key[0], early=key[1], by_sheet=by_sheet)
        for key, group in sorted(groups.items())
    ]


def _absent(group: Mapping[int, Absence], *, apart: bool, early: bool, by_sheet: bool) -> Finding:
    like_a_wall = next(iter(group.values())).like_a_wall
    from_hz = max(a.from_hz for a in group.values())
    expected = min(a.expected_db for a in group.values())
    seen = max(a.seen_db for a in group.values())
    cut = (
        f"The programme ends like a wall at {from_hz / 1000:.1f} kHz while the noise goes on"
        if like_a_wall
        else f"Nothing above {from_hz / 1000:.0f} kHz moves with the programme, which by its "
        f"strength up to 18 kHz should stand there {expected:.0f} dB over the noise"
    )
    if apart or early:
        verdict, remedy = (
            (Verdict.LISTEN, Remedy.LISTEN) if by_sheet else (Verdict.CLEAR, Remedy.NONE)
        )
    else:
        verdict, remedy = (
            (Verdict.REDO, Remedy.REPLAY) if by_sheet else (Verdict.LISTEN, Remedy.LISTEN)
        )
    if apart:
        means = (
            "and so does the programme of other tracks: the sound itself ends there, or what it "
            "went through before it was recorded on the tape."
        )
        text = f"{cut}, {means}" if like_a_wall else f"{cut}. The noise goes on, {means}"
    else:
        sound = "the sound itself ends there, or " if early else ""
        text = (
            f"{cut}: {sound}a filter or a stage at a lower rate lies somewhere between tape and "
            "file, or on the old recording itself; check the path with a known signal."
        )
    return Finding(
        check=CHECK,
        kind="absent",
        verdict=verdict,
        remedy=remedy,
        tracks=tuple(sorted(group)),
        text=text,
        values={
            "from_hz": rounded(from_hz, 0),
            "expected_over_floor_db": rounded(expected, 1),
            "seen_over_floor_db": rounded(max(seen, 0.0), 1),
        },
    )


def no_evidence(tops_hz: Mapping[int, float | None], falls: Mapping[int, Wall]) -> list[Finding]:
    """The note that nothing can be said about what lies above 20 kHz.

    Args:
        tops_hz: of each such track, up to where programme is seen.
        falls: where the floor of some falls below 20 kHz like a wall that proves no lower rate.
    """
    if not tops_hz:
        return []
    highest = max((hz for hz in tops_hz.values() if hz is not None), default=None)
    seen = f", which is seen up to {highest / 1000:.0f} kHz at most" if highest else ""
    text = f"Nothing above 20 kHz moves with the programme{seen}, "
    falls = {track: wall for track, wall in falls.items() if wall.hz < PROGRAMME_HZ}
    if falls:
        lowest = min(falls.values(), key=lambda wall: wall.hz)
        text += (
            f"and the noise floor itself falls by {lowest.depth_db:.0f} dB at "
            f"{lowest.hz / 1000:.1f} kHz ({_steepness(lowest)}), as behind a worn head or on "
            "slow tape, or where the band of a lower rate ends under a later noise: look how "
            "this capture was made, and whether other tapes end there too."
        )
    else:
        text += (
            "but this programme is not bright or lively enough to show it there: no evidence that "
            "the path above 20 kHz is whole, and none against it."
        )
    values: dict[str, Value] = {"programme_to_hz": [rounded(hz, 0) for hz in tops_hz.values()]}
    if falls:
        values["floor_falls_hz"] = [
            rounded(falls[track].hz, 0) if track in falls else None for track in tops_hz
        ]
    return [
        Finding(
            check=CHECK,
            kind="no-evidence",
            verdict=Verdict.CLEAR,
            remedy=Remedy.NONE,
            tracks=tuple(tops_hz),
            text=text,
            values=values,
        )
    ]


def like_images(doubts: Mapping[int, Image]) -> list[Finding]:
    """The note that what moves above some frequency may be an image of what lies below."""
    if not doubts:
        return []
    lowest = min(image.hz for image in doubts.values())
    return [
        Finding(
            check=CHECK,
            kind="no-evidence",
            verdict=Verdict.CLEAR,
            remedy=Remedy.NONE,
            tracks=tuple(doubts),
            text=f"Above {lowest / 1000:.1f} kHz there is something that moves with the programme, "
            "but most of it looks like a mirror image of what sounds below, as a lower rate leaves "
            "it, in this file or in something that was recorded on the tape: no evidence that the "
            "path above is whole; look how this capture was made.",
            values={
                "mirror_hz": [rounded(image.hz, 0) for image in doubts.values()],
                "mirror_likeness": [rounded(image.likeness) for image in doubts.values()],
            },
        )
    ]


def lines(
    found: Mapping[int, tuple[Line, ...]],
    limits: UltrasonicLimits,
    *,
    bin_hz: float,
    seconds: float,
) -> list[Finding]:
    """Steady lines of all tracks, one finding for the strong ones and one for the others.

    What lasts no longer than a note can be held (``seconds`` of the capture) is only noted.
    """
    groups = _same_lines(found, 2.0 * bin_hz)
    listen_dbfs = limits.line_listen_dbfs if seconds >= LONGEST_NOTE_S else np.inf
    loud, faint = [], []
    for group in groups:
        level = _level(group)
        heard_dbfs = level - LEAKS_DB if level >= listen_dbfs else np.inf
        loud.append([item for item in group if item[1].dbfs > heard_dbfs])
        faint.append([item for item in group if item[1].dbfs <= heard_dbfs])
    loud = [g for g in loud if g]
    faint = [g for g in faint if g and _level(g) >= LEAST_LINE_DBFS]
    findings = []
    for verdict, some in ((Verdict.LISTEN, loud), (Verdict.CLEAR, faint)):
        if some:
            findings.append(_line_finding(verdict, some, limits.listed))
    return findings


_Group = list[tuple[int, Line, str | None]]


def _same_lines(found: Mapping[int, tuple[Line, ...]], within_hz: float) -> list[_Group]:
    """Lines of several tracks at one frequency together, by frequency."""
    every: _Group = []
    for track, own in found.items():
        others = tuple(line.hz for line in own)
        every += [(track, line, usual_name(line.hz, others)) for line in own]
    every.sort(key=lambda item: (item[1].hz, item[0]))
    groups: list[_Group] = []
    for item in every:
        if groups and item[1].hz - groups[-1][-1][1].hz <= within_hz:
            groups[-1].append(item)
        else:
            groups.append([item])
    return groups


def _level(group: _Group) -> float:
    return max(line.dbfs for _, line, _ in group)


def _line_finding(verdict: Verdict, groups: list[_Group], most: int) -> Finding:
    strongest_first = sorted(groups, key=_level, reverse=True)
    listed: list[Value] = []
    for group in strongest_first[:most]:
        _, line, name = max(group, key=lambda item: item[1].dbfs)
        listed.append(
            {
                "hz": rounded(line.hz, 1),
                "dbfs": rounded(line.dbfs, 1),
                "likely": name,
                "tracks": sorted({track + 1 for track, _, _ in group}),
            }
        )
    _, line, name = max(strongest_first[0], key=lambda item: item[1].dbfs)
    where = f"{line.hz / 1000:.2f} kHz with {line.dbfs:.1f} dBFS"
    what = f" (usually {name})" if name else ""
    text = (
        f"Steady line at {where}{what}"
        if len(groups) == 1
        else f"{len(groups)} steady lines above 20 kHz, the strongest at {where}{what}"
    )
    if verdict is Verdict.LISTEN:
        text += ": as strong as the hiss of a tape, so it may beat with others; look for its source"
    return Finding(
        check=CHECK,
        kind="line",
        verdict=verdict,
        remedy=Remedy.LISTEN if verdict is Verdict.LISTEN else Remedy.NONE,
        tracks=tuple(sorted({track for group in groups for track, _, _ in group})),
        text=text + ".",
        values={"count": len(groups), "listed": len(listed), "lines": listed},
    )
