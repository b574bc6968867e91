"""Azimuth and polarity as findings: the tilt of the head, single strays, reversed tracks.

On a wide head raw phase means nothing (47 mm at 38 cm/s: 129 degrees at 10 kHz a minute of arc, and
tape weaves by two minutes): the line fitted through the delays of all tracks is judged in minutes
of arc, and what each track is off that line against its neighbour.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.lineup._azimuth import angle_arcmin, sum_loss_db, track_loss_db
from checks.lineup._judge import _finding, verdict_of
from checks.lineup._limits import LineupLimits
from checks.lineup._lineup import Lineup
from checks.lineup._report import tilt_arcmin
from checks.model import Finding, Value, Verdict, rounded
from checks.sheet import Sheet

LOSS_HZ: Final = (10_000.0, 20_000.0)


def azimuth(lineup: Lineup, sheet: Sheet, limits: LineupLimits, *, declared: bool) -> list[Finding]:
    """What the delays say."""
    return [
        *_reversed(lineup, declared=declared),
        *_tilt(lineup, sheet, limits, declared=declared),
        *_strays(lineup, sheet, limits, declared=declared),
    ]


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


def _tilt(lineup: Lineup, sheet: Sheet, limits: LineupLimits, *, declared: bool) -> list[Finding]:
    if lineup.tilt is None:
        return []
    delay = lineup.tilt.seconds_a_track
    arcmin = tilt_arcmin(lineup, sheet)
    values: dict[str, Value] = {"delay_us_a_track": rounded(delay * 1e6, 4)}
    if arcmin is None:
        excess = abs(delay) * 1e6 / limits.neighbour_delay_us
        what = f"{abs(delay) * 1e6:.2f} us from each track to the next"
        allowed = f"{limits.neighbour_delay_us:g} us are"
        ends = (
            f" The sheet gives no tape speed and track spacing, so no angle is told. {_loss(delay)}"
        )
    else:
        excess = abs(arcmin) / sheet.lineup.azimuth_arcmin
        what = f"{abs(arcmin):.2f} minutes of arc ({abs(delay) * 1e6:.2f} us a track)"
        allowed = f"{sheet.lineup.azimuth_arcmin:g} is"
        ends = " " + _loss(delay)
        values["tilt_arcmin"] = rounded(arcmin, 3)
        if sheet.tape.track_width_mm is not None and sheet.tape.speed_cm_s is not None:
            within = [
                track_loss_db(arcmin, hz, sheet.tape.track_width_mm, sheet.tape.speed_cm_s)
                for hz in LOSS_HZ
            ]
            ends = (
                f" Within a track it costs {-within[0]:.2f} dB at 10 kHz and {-within[1]:.2f} dB "
                "at 20 kHz."
            )
            values["loss_10_khz_db"] = rounded(within[0], 3)
            values["loss_20_khz_db"] = rounded(within[1], 3)
    values["sum_loss_10_khz_db"] = rounded(sum_loss_db(delay, LOSS_HZ[0]), 3)
    values["sum_loss_20_khz_db"] = rounded(sum_loss_db(delay, LOSS_HZ[1]), 3)
    verdict = verdict_of(lineup, excess, declared=declared)
    if excess <= 1.0:
        return []
    if arcmin is None and verdict is Verdict.REDO:
        verdict = Verdict.LISTEN  # without an angle nobody knows what this is on this head
    act = "" if verdict is Verdict.CLEAR else " Set the azimuth."
    return [
        _finding(
            "azimuth",
            verdict,
            f"The head is tilted by {what}, the {'last' if delay > 0 else 'first'} track the "
            f"latest; {allowed} allowed.{act}{ends}",
            tracks=[k for k in lineup.judged if lineup.delays[k] is not None],
            at=lineup.plain[0] if lineup.plain else None,
            values=values,
        )
    ]


def _loss(delay_s: float) -> str:
    """What the sum of neighbours loses, in a sentence."""
    ten, twenty = (-sum_loss_db(delay_s, hz) for hz in LOSS_HZ)
    return f"The sum of two neighbours loses {ten:.2f} dB at 10 kHz and {twenty:.2f} dB at 20 kHz."


def _strays(lineup: Lineup, sheet: Sheet, limits: LineupLimits, *, declared: bool) -> list[Finding]:
    """Single tracks off the line of the others: gap scatter, a wrong delay, another patch."""
    if lineup.tilt is None or len(lineup.judged) < 3:
        return []
    speed, spacing = sheet.tape.speed_cm_s, sheet.tape.track_spacing_mm
    left = lineup.tilt.left_s
    off = []
    for k in lineup.judged:
        if not np.isfinite(left[k]):
            continue
        if speed is not None and spacing is not None:
            excess = abs(angle_arcmin(left[k], spacing, speed)) / sheet.lineup.azimuth_arcmin
        else:
            excess = abs(left[k]) * 1e6 / limits.neighbour_delay_us
        if excess > 1.0:
            off.append((k, excess))
    if not off:
        return []
    listed: list[Value] = [{"track": k + 1, "off_us": rounded(left[k] * 1e6, 3)} for k, _ in off]
    worst = max(abs(left[k]) for k, _ in off) * 1e6
    verdict = verdict_of(lineup, max(e for _, e in off), declared=declared)
    if verdict is Verdict.REDO and (speed is None or spacing is None):
        verdict = Verdict.LISTEN
    return [
        _finding(
            "azimuth",
            verdict,
            f"Off the line of the other tracks by up to {worst:.2f} us: no tilt of the head, but "
            "a delay or a gap of its own, which no azimuth screw mends.",
            tracks=[k for k, _ in off],
            at=lineup.plain[0] if lineup.plain else None,
            values={"count": len(off), "listed": len(listed), "tracks": listed},
        )
    ]
