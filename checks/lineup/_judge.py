"""Each kind of finding: the sheet's tolerance, the tracks beyond it, the worst of them.

Beyond a tolerance is ``listen``; beyond twice it is ``redo``, but only on a line-up that the sheet
declares. Tones under which lies no noise of tape were never on one: their deviations are notes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.lineup._equalisation import likely_mistakes
from checks.lineup._lineup import Lineup, Meant, cents
from checks.lineup._nominal import OFF_SHEET, nearest
from checks.model import Finding, Remedy, Value, Verdict, rounded
from checks.sheet import Sheet

CHECK: Final = "lineup"
LOW_HZ: Final = 250.0  # below, fringing and head bumps change levels (IEC 60094; trade)
HIGH_HZ: Final = 3_000.0
HINT_FROM_DB: Final = 1.0  # less is no wrong curve: those differ by 2 dB and more at 10 kHz


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


def told(lineup: Lineup, sheet: Sheet) -> list[Finding]:
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
        text += " There is no tape noise under them: they were generated, not replayed."
    first = lineup.plain[0]
    return [_finding("tones", Verdict.CLEAR, text, at=first, values={"count": len(plain)})]


def _middle(lineup: Lineup, values: NDArray[np.float64]) -> float:
    known = values[list(lineup.judged)]
    known = known[np.isfinite(known)]
    return float(np.median(known)) if len(known) else float("nan")


def _beyond(
    lineup: Lineup,
    rows: Iterable[tuple[Meant, NDArray[np.float64]]],
    tolerance: float,
    unit: str,
) -> tuple[set[int], float, Meant | None, list[Value], int]:
    """Tracks beyond a tolerance, the worst value, its tone, the list, and the exact count."""
    tracks: set[int] = set()
    worst, at = 0.0, None
    listed: list[Value] = []
    count = 0
    for meant, values in rows:
        for k in lineup.judged:
            if not np.isfinite(values[k]) or abs(values[k]) <= tolerance:
                continue
            tracks.add(k)
            count += 1
            if len(listed) < 64:
                listed.append({"track": k + 1, "hz": round(meant.tone.hz, 3),
                               unit: rounded(values[k], 3)})  # fmt: skip
            if abs(values[k]) > abs(worst):
                worst, at = float(values[k]), meant
    return tracks, worst, at, listed, count


def level(lineup: Lineup, sheet: Sheet, *, declared: bool) -> list[Finding]:
    """Tracks off the level of the sheet, or of the other tracks; tracks without the tone."""
    tolerance = sheet.lineup.level_db
    tones = [lineup.reference] if lineup.reference else list(lineup.plain)
    rows = [(m, lineup.deviations_db(m)) for m in tones if m is not None]
    tracks, worst, at, listed, count = _beyond(lineup, rows, tolerance, "deviation_db")
    out = []
    if at is not None:
        by_sheet = at.expected_dbfs is not None
        wanted = f"{at.expected_dbfs:.1f} dBFS of the sheet" if by_sheet else "other tracks"
        how = "above" if worst > 0 else "below"
        out.append(
            _finding(
                "level",
                verdict_of(lineup, abs(worst) / tolerance, declared=declared),
                f"The {spoken(at)} tone is up to {abs(worst):.2f} dB {how} the {wanted}; "
                f"{tolerance:g} dB are allowed.",
                tracks=tracks,
                at=at,
                values={"worst_db": rounded(worst, 3), "tolerance_db": tolerance, "count": count,
                        "listed": len(listed), "tracks": listed},
            )
        )  # fmt: skip
    for meant in tones[:1]:
        dead = [k for k in lineup.judged if not np.isfinite(meant.levels_dbfs[k])]
        if dead:
            out.append(
                _finding(
                    "level",
                    verdict_of(lineup, 9.0, declared=declared),
                    f"The {spoken(meant)} tone that the other tracks carry is not there.",
                    tracks=dead,
                    at=meant,
                )
            )
    return out


def response(lineup: Lineup, sheet: Sheet, *, declared: bool) -> list[Finding]:
    """Tones off the reference tone of the same track; the likely curve where one fits."""
    rows: list[tuple[Meant, NDArray[np.float64]]] = []
    low: list[tuple[Meant, NDArray[np.float64]]] = []
    for meant in lineup.tones:
        relative = lineup.response_db(meant)
        if relative is None:
            continue
        bass = meant.tone.hz < LOW_HZ and not sheet.tape.low_frequency_compensated
        (low if bass else rows).append((meant, relative))
    tolerance = sheet.lineup.response_db
    out = []
    hint, curves = _curve_hint(lineup, [*rows, *low], sheet)
    tracks, worst, at, listed, count = _beyond(lineup, rows, tolerance, "relative_db")
    reference = spoken(lineup.reference) if lineup.reference else ""
    values: dict[str, Value] = {"tolerance_db": tolerance}
    if at is not None:
        out.append(
            _finding(
                "response",
                verdict_of(lineup, abs(worst) / tolerance, declared=declared),
                f"Against the {reference} tone of the same track, {spoken(at)} is up to "
                f"{abs(worst):.2f} dB {'high' if worst > 0 else 'low'}; {tolerance:g} dB are "
                f"allowed.{hint}",
                tracks=tracks,
                at=at,
                values=values
                | {"worst_db": rounded(worst, 3), "count": count, "listed": len(listed),
                   "tones": listed, "likely": curves},
            )
        )  # fmt: skip
    elif hint:
        out.append(_finding("response", Verdict.CLEAR, hint.strip(), values={"likely": curves}))
    tracks, worst, at, listed, count = _beyond(lineup, low, tolerance, "relative_db")
    if at is not None:
        out.append(
            _finding(
                "response",
                Verdict.CLEAR,
                f"Against the {reference} tone, {spoken(at)} is up to {abs(worst):.2f} dB "
                f"{'high' if worst > 0 else 'low'}; below 250 Hz fringing and the head's own bumps "
                "do that, unless the tape is compensated for it.",
                tracks=tracks,
                at=at,
                values=values
                | {"worst_db": rounded(worst, 3), "count": count, "listed": len(listed),
                   "tones": listed},
            )
        )  # fmt: skip
    return out


def _curve_hint(
    lineup: Lineup, rows: list[tuple[Meant, NDArray[np.float64]]], sheet: Sheet
) -> tuple[str, Value]:
    middle = [(m.tone.hz, _middle(lineup, values)) for m, values in rows]
    middle = [(hz, db) for hz, db in middle if np.isfinite(db)]
    if lineup.reference is None or not middle:
        return "", None
    if max((abs(db) for hz, db in middle if hz >= HIGH_HZ), default=0.0) < HINT_FROM_DB:
        return "", None
    pairs = likely_mistakes(middle, lineup.reference.tone.hz, sheet.tape.speed_cm_s)
    if not pairs:
        return "", None
    words = [
        f"an {tape.name} tape replayed through the {replay.name} curve at {tape.speed_cm_s:g} cm/s"
        for tape, replay in pairs[:2]
    ]
    text = f" This fits {' or '.join(words)}: check the equalisation switch."
    return text, [f"{t.name} replayed {r.name} at {t.speed_cm_s:g} cm/s" for t, r in pairs[:2]]


def distortion(lineup: Lineup, sheet: Sheet, *, declared: bool) -> list[Finding]:
    """Second and third harmonic beyond the tolerance."""
    tolerance = sheet.lineup.distortion_percent
    rows = [
        (m, np.array([np.nan if t.distortion_percent is None or not t.holds
                      else t.distortion_percent for t in m.tone.tracks]))
        for m in lineup.plain
    ]  # fmt: skip
    tracks, worst, at, listed, count = _beyond(lineup, rows, tolerance, "distortion_percent")
    if at is None:
        return []
    return [
        _finding(
            "distortion",
            verdict_of(lineup, worst / tolerance, declared=declared),
            f"Second and third harmonic of the {spoken(at)} tone reach {worst:.1f} %; "
            f"{tolerance:g} % are allowed. The tone may have been recorded so.",
            tracks=tracks,
            at=at,
            values={"worst_percent": rounded(worst, 2), "tolerance_percent": tolerance,
                    "count": count, "listed": len(listed), "tones": listed},
        )
    ]  # fmt: skip


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
            f"{tolerance:g} % are allowed. Recording and replay together make it.",
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
        f"The tones are {abs(percent):.2f} % ({abs(cents(ratio)):.1f} cents) "
        f"{'sharp' if percent > 0 else 'flat'}; {tolerance:g} % are allowed."
    )
    verdict = Verdict.CLEAR
    if declared:
        verdict = verdict_of(lineup, abs(percent) / tolerance, declared=True)
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
            f"{_middle(lineup, meant.levels_dbfs):.1f} dBFS, {spread:.1f} dB over the tracks."
        )
        if beyond:
            text += f" It is up to {abs(worst):.2f} dB off {wanted}; {tolerance:g} dB are allowed."
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
        text = "The sheet calls this a line-up, but there is no steady tone in it."
        return [_finding("missing", Verdict.LISTEN, text)]
    found = tuple(m.tone.hz for m in lineup.tones)
    gone = [t.hz for t in sheet.lineup.tones if nearest(t.hz, found, OFF_SHEET) is None]
    if not gone:
        return []
    text = f"Tones of the sheet that are not there: {', '.join(named(hz) for hz in gone)}."
    return [_finding("missing", Verdict.LISTEN, text, values={"hz": list(gone)})]
