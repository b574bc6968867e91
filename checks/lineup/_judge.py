"""Each kind of finding: the sheet's tolerance, the tracks beyond it, the worst of them.

Beyond a tolerance is ``listen``; beyond twice it is ``redo``, but only on a line-up that the sheet
declares. Tones under which lies no noise of tape were never on one: their deviations are notes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.lineup._lineup import Lineup, Meant, cents
from checks.lineup._nominal import OFF_SHEET, nearest
from checks.model import Finding, Remedy, Value, Verdict, rounded
from checks.sheet import Sheet

CHECK: Final = "lineup"


def _finding(
    kind: str,
    verdict: Verdict,
    text: str,
    *,
    tracks: Iterable[int] = (),
    at: Meant | None = None,
    values: Mapping[str, Value] | None = None,
) -> Finding:
    return Finding(
        check=CHECK,
        kind=kind,
        verdict=verdict,
        remedy=Remedy.NONE if verdict is Verdict.CLEAR else Remedy.REPLAY,
        tracks=tuple(sorted(set(tracks))),
        text=text,
        start_frame=at.tone.start if at else None,
        frames=at.tone.stop - at.tone.start if at else None,
        values=dict(values or {}),
    )


def verdict_of(lineup: Lineup, excess: float, *, declared: bool) -> Verdict:
    """By how many tolerances something is off."""
    if excess <= 1.0 or not (declared or lineup.off_tape):
        return Verdict.CLEAR
    return Verdict.REDO if declared and excess > 2.0 else Verdict.LISTEN


def named(hz: float) -> str:
    """A frequency as people say it."""
    return f"{hz / 1000:.6g} kHz" if hz >= 1000 else f"{hz:.5g} Hz"


def spoken(meant: Meant) -> str:
    """The tone by its nominal frequency."""
    return named(meant.nominal_hz or round(meant.tone.hz, 1))


def told(lineup: Lineup) -> list[Finding]:
    """A note of what was found."""
    plain = [f"{spoken(m)} at {_middle(lineup, m.levels_dbfs):.1f} dBFS" for m in lineup.plain]
    if not plain:
        return []
    text = f"{len(plain)} line-up tone{'s' if len(plain) > 1 else ''}: {', '.join(plain[:12])}"
    text += " and more." if len(plain) > 12 else "."
    guessed = [m for m in lineup.plain if m.step_db and not m.told]
    if guessed:
        steps = ", ".join(f"{spoken(m)} {-m.step_db:.0f} dB" for m in guessed[:6])
        text += f" Taken to be recorded lower on purpose: {steps}."
    if not lineup.off_tape:
        text += " No tape noise lies under that: generated, not replayed from a tape."
    first = lineup.plain[0]
    return [_finding("tones", Verdict.CLEAR, text, at=first, values={"count": len(plain)})]


def _middle(lineup: Lineup, values: NDArray[np.float64]) -> float:
    known = values[list(lineup.judged)]
    known = known[np.isfinite(known)]
    return float(median(known)) if len(known) else float("nan")


def flutter(lineup: Lineup, sheet: Sheet, *, declared: bool) -> list[Finding]:
    """Weighted two-sigma flutter of all tracks together, of the longest tone from 1 kHz on."""
    having = [m for m in lineup.plain if m.tone.flutter_percent is not None]
    usual = [m for m in having if nearest(m.tone.hz, (3000.0, 3150.0), OFF_SHEET)] or having
    if not usual:
        return []
    at = max(usual, key=lambda m: m.tone.stop - m.tone.start)
    value, tolerance = at.tone.flutter_percent or 0.0, sheet.lineup.flutter_percent
    if value <= tolerance:
        return []
    return [
        _finding(
            "flutter",
            verdict_of(lineup, value / tolerance, declared=declared),
            f"Weighted flutter (two sigma) of the {spoken(at)} tone is {value:.3f} %; "
            f"{tolerance:g} % is allowed. Recording and replay together make it.",
            at=at,
            values={"flutter_percent": rounded(value, 4), "tolerance_percent": tolerance},
        )
    ]


def speed(lineup: Lineup, sheet: Sheet, *, declared: bool) -> list[Finding]:
    """Frequency against nominal; judged on a declared calibration tape only."""
    ratio, tolerance = lineup.speed_ratio, sheet.lineup.speed_percent
    if ratio is None or abs(ratio - 1) * 100 <= tolerance:
        return []
    percent = 100 * (ratio - 1)
    text = (
        f"{'The tone is' if len(lineup.plain) == 1 else 'The tones are'} {abs(percent):.2f} % "
        f"({abs(cents(ratio)):.1f} cents) "
        f"{'sharp' if percent > 0 else 'flat'}; {tolerance:g} % is allowed."
    )
    verdict = Verdict.CLEAR
    if declared:
        verdict = verdict_of(lineup, abs(percent) / tolerance, declared=True)
        pace, way = ("fast", "down") if percent > 0 else ("slow", "up")
        text += f" The machine runs {pace} by that: turn its speed {way}."
    else:
        text += " The oscillator at the head of a reel is often off by 1 to 3 %, so this says "
        text += "nothing about the machine."
    return [
        _finding(
            "speed",
            verdict,
            text,
            at=lineup.plain[0] if lineup.plain else None,
            values={"speed_percent": rounded(percent, 4), "cents": rounded(cents(ratio), 2),
                    "tolerance_percent": tolerance},
        )
    ]  # fmt: skip


def reference_tone(lineup: Lineup, sheet: Sheet) -> list[Finding]:
    """The reference tone of noise reduction: never ``redo``, its make is known from memory."""
    out = []
    for meant in lineup.tones:
        if not meant.is_reference_tone:
            continue
        off = lineup.deviations_db(meant)
        known = [k for k in lineup.judged if np.isfinite(off[k])]
        worst = max((float(off[k]) for k in known), key=abs, default=0.0)
        levels = meant.levels_dbfs[known]
        spread = float(levels.max() - levels.min()) if known else 0.0
        tolerance = sheet.lineup.level_db
        beyond = abs(worst) > tolerance and lineup.off_tape
        wanted = "the sheet's mark" if meant.expected_dbfs is not None else "the other tracks"
        text = (
            f"A tone of {meant.tone.hz:.0f} Hz that jumps up by {meant.tone.shift_percent:.0f} % "
            f"every {meant.tone.period_s:.2f} s: the reference tone of a noise reduction, at "
            f"{_middle(lineup, meant.levels_dbfs):.1f} dBFS"
        )
        text += f", {spread:.1f} dB from track to track." if len(known) > 1 else "."
        if beyond:
            text += f" It is up to {abs(worst):.2f} dB off {wanted}; {tolerance:g} dB is allowed."
        text += " The reel must be decoded with the decoder set by this tone."
        out.append(
            _finding(
                "reference-tone",
                Verdict.LISTEN if beyond else Verdict.CLEAR,
                text,
                tracks=[k for k in known if abs(off[k]) > tolerance] if beyond else (),
                at=meant,
                values={
                    "hz": rounded(meant.tone.hz, 3),
                    "period_s": rounded(meant.tone.period_s, 3),
                    "shift_percent": rounded(meant.tone.shift_percent, 1),
                    "worst_db": rounded(worst, 3),
                    "spread_db": rounded(spread, 3),
                },
            )
        )
    return out


def missing(lineup: Lineup, sheet: Sheet, *, declared: bool) -> list[Finding]:
    """Tones that a declared line-up should hold and does not."""
    if not declared:
        return []
    if not lineup.tones:
        text = (
            "The sheet calls this a line-up, but there is no steady tone in it: listen, and "
            "play the right tape or put the sheet right."
        )
        return [_finding("missing", Verdict.LISTEN, text)]
    found = tuple(m.tone.hz for m in lineup.tones)
    gone = [t.hz for t in sheet.lineup.tones if nearest(t.hz, found, OFF_SHEET) is None]
    if not gone:
        return []
    text = "A tone of the sheet that is" if len(gone) == 1 else "Tones of the sheet that are"
    text += (
        f" not there: {', '.join(named(hz) for hz in gone)}. Listen whether the tape holds what "
        "the sheet says, and put right what does not."
    )
    return [_finding("missing", Verdict.LISTEN, text, values={"hz": list(gone)})]
