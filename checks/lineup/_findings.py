"""From what was measured to findings: what to do about a line-up."""

from __future__ import annotations

from checks.lineup._judge import flutter, missing, reference_tone, speed, told
from checks.lineup._judge_azimuth import azimuth
from checks.lineup._judge_levels import distortion, level, response
from checks.lineup._limits import LineupLimits
from checks.lineup._lineup import Lineup
from checks.model import Finding
from checks.sheet import Sheet


def findings(
    lineup: Lineup, sheet: Sheet, limits: LineupLimits, *, declared: bool
) -> tuple[Finding, ...]:
    """All findings, one of a kind and verdict."""
    if not lineup.tones:
        return tuple(missing(lineup, sheet, declared=declared))
    judges = (level, response, distortion, flutter, speed)
    found = [f for judge in judges for f in judge(lineup, sheet, declared=declared)]
    return (
        *told(lineup),
        *found,
        *azimuth(lineup, sheet, limits, declared=declared),
        *reference_tone(lineup, sheet),
        *missing(lineup, sheet, declared=declared),
    )
