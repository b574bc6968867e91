"""Azimuth and polarity as findings: the tilt of the head, single strays, reversed tracks.

On a wide head raw phase means nothing (47 mm at 38 cm/s: 129 degrees at 10 kHz a minute of arc, and
tape weaves by two minutes): the line fitted through the delays of all tracks is judged in minutes
of arc, and the tracks off the line of the others by their distance from it. Two or three tracks
cannot tell a tilt from a late track; more can, unless as many are off as are not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.lineup._azimuth import (
    LEAST_TOLD,
    NULL_DB,
    Tilt,
    angle_arcmin,
    delay_of_angle_s,
    sum_loss_db,
    tilt_of,
    track_loss_db,
)
from checks.lineup._judge import _finding, verdict_of
from checks.lineup._limits import LineupLimits
from checks.lineup._lineup import Lineup
from checks.model import Finding, Value, Verdict, rounded
from checks.sheet import Sheet

LOSS_HZ: Final = (10_000.0, 20_000.0)
SAID: Final = 8  # delays in a sentence; all are in the values


def azimuth(lineup: Lineup, sheet: Sheet, limits: LineupLimits, *, declared: bool) -> list[Finding]:
    """What the delays say."""
    found = _reversed(lineup, declared=declared)
    head = _Head.of(lineup, sheet, limits, declared=declared)
    if head is None:
        return found
    if not head.tilt.fits:
        return [*found, _unclear(head)]
    return [*found, *_tilt(head), *_strays(head)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Head:
    """The line of the tracks, and what is allowed of it: ``allowed_s`` from track to track."""

    lineup: Lineup
    sheet: Sheet
    tilt: Tilt
    allowed_s: float
    angle: bool  # the sheet lets an angle be told
    declared: bool

    @classmethod
    def of(
        cls, lineup: Lineup, sheet: Sheet, limits: LineupLimits, *, declared: bool
    ) -> _Head | None:
        """None where there are no two delays."""
        speed, spacing = sheet.tape.speed_cm_s, sheet.tape.track_spacing_mm
        angle = speed is not None and spacing is not None
        allowed_s = limits.neighbour_delay_us * 1e-6
        if speed is not None and spacing is not None:
            allowed_s = delay_of_angle_s(sheet.lineup.azimuth_arcmin, spacing, speed)
        delays = [d if k in lineup.judged else None for k, d in enumerate(lineup.delays)]
        tilt = tilt_of(delays, allowed_s)
        if tilt is None:
            return None
        return cls(lineup=lineup, sheet=sheet, tilt=tilt, allowed_s=allowed_s, angle=angle,
                   declared=declared)  # fmt: skip

    @property
    def tracks(self) -> list[int]:
        """Those with a delay that are judged."""
        return [int(k) for k in np.flatnonzero(np.isfinite(self.tilt.left_s))]

    def verdict(self, excess: float) -> Verdict:
        """Without an angle nobody knows what a delay is on this head: then nothing is redo."""
        verdict = verdict_of(self.lineup, excess, declared=self.declared)
        return Verdict.LISTEN if verdict is Verdict.REDO and not self.angle else verdict

    def finding(
        self, excess: float, text: str, tracks: Iterable[int], values: Mapping[str, Value]
    ) -> Finding:
        """Of kind ``azimuth``, at the first tone."""
        at = self.lineup.plain[0] if self.lineup.plain else None
        return _finding("azimuth", self.verdict(excess), text, tracks=tracks, at=at, values=values)


def _reversed(lineup: Lineup, *, declared: bool) -> list[Finding]:
    tracks = [k for k in lineup.judged if (d := lineup.delays[k]) is not None and d.inverted]
    if not tracks:
        return []
    if len(tracks) * 2 > len(lineup.judged):  # then it is the reference that is reversed
        tracks = [k for k in lineup.judged if k not in tracks]
    return [
        _finding(
            "azimuth",
            verdict_of(lineup, 1.5, declared=declared),
            "The tones are half a turn off at every frequency: polarity reversed, not azimuth. "
            "Look at the wiring and patching of these tracks.",
            tracks=tracks,
            at=lineup.plain[0] if lineup.plain else None,
            values={"inverted": True},
        )
    ]


def _tilt(head: _Head) -> list[Finding]:
    sheet, delay = head.sheet, head.tilt.seconds_a_track
    excess = abs(delay) / head.allowed_s
    if excess <= 1.0:
        return []
    speed, spacing = sheet.tape.speed_cm_s, sheet.tape.track_spacing_mm
    values: dict[str, Value] = {
        "delay_us_a_track": rounded(delay * 1e6, 4),
        "proven": head.tilt.proven,
    }
    ends = " " + _loss(delay)
    if speed is None or spacing is None:
        what = f"{abs(delay) * 1e6:.2f} us from each track to the next"
        allowed = f"{head.allowed_s * 1e6:g} us is allowed"
        ends = " The sheet gives no tape speed and track spacing, so no angle is told." + ends
    else:
        arcmin = angle_arcmin(delay, spacing, speed)
        what = f"{abs(arcmin):.2f} minutes of arc ({abs(delay) * 1e6:.2f} us a track)"
        allowed = f"{sheet.lineup.azimuth_arcmin:g} is allowed"
        values["tilt_arcmin"] = rounded(arcmin, 3)
        if sheet.tape.track_width_mm is not None:
            within = [track_loss_db(arcmin, hz, sheet.tape.track_width_mm, speed) for hz in LOSS_HZ]
            ends = f" Within a track it costs {_decibels(*within)}."
            values["loss_10_khz_db"] = rounded(within[0], 3)
            values["loss_20_khz_db"] = rounded(within[1], 3)
    values["sum_loss_10_khz_db"] = rounded(sum_loss_db(delay, LOSS_HZ[0]), 3)
    values["sum_loss_20_khz_db"] = rounded(sum_loss_db(delay, LOSS_HZ[1]), 3)
    asks = head.verdict(excess) is not Verdict.CLEAR
    if head.tilt.proven:
        late = "last" if delay > 0 else "first"
        text = f"The head is tilted by {what}, the {late} track the latest; {allowed}."
        text += " Set the azimuth." if asks else ""
    else:
        text = f"{_between(head)}: either a tilt of the head by {what}, where {allowed}, or a "
        text += "track that is late of its own, which no azimuth screw mends; "
        text += f"{'two' if head.tilt.tracks == 2 else 'three'} tracks cannot tell which."
        text += " Rule that out before the azimuth is turned." if asks else ""
    on = [k for k in head.tracks if k not in head.tilt.strays]
    return [head.finding(excess, text + ends, on, values)]


def _between(head: _Head) -> str:
    """How much later the later end is than the earlier one."""
    first, last = head.tracks[0], head.tracks[-1]
    later = head.tilt.left_s[last] - head.tilt.left_s[first]
    later += head.tilt.seconds_a_track * (last - first)
    if later < 0:
        first, last = last, first
    return f"Track {last + 1} is {abs(later) * 1e6:.2f} us later than track {first + 1}"


def _loss(delay_s: float) -> str:
    """What the sum of neighbours loses, in a sentence."""
    losses = _decibels(*(sum_loss_db(delay_s, hz) for hz in LOSS_HZ))
    return f"The sum of two neighbours loses {losses}."


def _decibels(*levels: float) -> str:
    """Losses at each of ``LOSS_HZ``, in words; at a null they are no more exact than the tracks."""
    told = []
    for level, hz in zip(levels, LOSS_HZ, strict=True):
        loss = f"{-level:.2f} dB" if level > -1.0 else f"{-level:.1f} dB"
        if level < NULL_DB + 0.05:
            loss = f"{-NULL_DB:g} dB and more"
        told.append(f"{loss} at {hz / 1000:g} kHz")
    return " and ".join(told)


def _strays(head: _Head) -> list[Finding]:
    """Single tracks off the line of the others: gap scatter, a wrong delay, another patch."""
    off, left = head.tilt.strays, head.tilt.left_s
    if not off:
        return []
    listed: list[Value] = [{"track": k + 1, "off_us": rounded(left[k] * 1e6, 3)} for k in off]
    worst = max((float(left[k]) for k in off), key=abs)
    by = f"{abs(worst) * 1e6:.2f} us"
    by = f"up to {by}" if len(off) > 1 else f"{by} ({'late' if worst > 0 else 'early'})"
    text = (
        f"Off the line of the other tracks by {by}: no tilt of the head, but a delay or a gap of "
        "its own, which no azimuth screw mends."
    )
    values: dict[str, Value] = {"count": len(off), "listed": len(listed), "tracks": listed}
    return [head.finding(abs(worst) / head.allowed_s, text, off, values)]


def _unclear(head: _Head) -> Finding:
    """No line, and no telling which tracks are off: what is seen, and no track named for it."""
    tracks, left, slope = head.tracks, head.tilt.left_s, head.tilt.seconds_a_track
    seen = left[tracks] + slope * (np.array(tracks) - tracks[0])
    seen -= seen.min()
    worst = float(np.abs(left[tracks]).max())
    listed: list[Value] = [
        {"track": k + 1, "later_us": rounded(us * 1e6, 3)}
        for k, us in zip(tracks, seen, strict=True)
    ]
    some = ", ".join(f"{us * 1e6:.2f}" for us in seen[:SAID])
    excess = max(worst, abs(slope)) / head.allowed_s
    text = (
        f"The tracks lie on no line, so a tilt of the head alone cannot be it: later than the "
        f"earliest by {some}{' ...' if len(seen) > SAID else ''} us. At least one has a delay or a "
        "gap of its own; which, and whether the head is tilted besides, "
        f"{'three tracks' if len(tracks) < LEAST_TOLD else 'the delays'} cannot tell."
    )
    if head.verdict(excess) is not Verdict.CLEAR:
        text += " Find that first; do not turn the azimuth by this."
    values: dict[str, Value] = {"count": len(listed), "listed": len(listed), "delays": listed}
    return head.finding(excess, text, tracks, values)
