"""Levels, response and distortion as findings: what is too low, what too high, what to turn."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.lineup._equalisation import likely_mistakes
from checks.lineup._judge import _finding, _middle, spoken, verdict_of
from checks.lineup._lineup import Lineup, Meant
from checks.lineup._nominal import sheet_tone
from checks.model import Finding, Value, Verdict, rounded
from checks.sheet import Sheet

LOST_DB: Final = 20.0  # under the tracks that carry a tone: lost; no machine is so far off
LOW_MOST_DB: Final = 10.0  # more is none of what low frequencies do by themselves
LOW_HZ: Final = 250.0  # below, fringing and head bumps change levels (IEC 60094; trade)
HIGH_HZ: Final = 3_000.0
_MOST_TOLD: Final = 8  # tracks in one sentence; common practice
HINT_FROM_DB: Final = 1.0  # less is no wrong curve: those differ by 2 dB and more at 10 kHz


@dataclass(slots=True)
class _Beyond:
    """What lies beyond a tolerance.

    ``by``: the worst a track, without sign; ``tones``: names; ``listed``: the first of ``count``.
    """

    tracks: set[int] = field(default_factory=set)
    by: dict[int, float] = field(default_factory=dict)
    tones: dict[str, float] = field(default_factory=dict)
    least: float = inf
    worst: float = 0.0
    at: Meant | None = None
    listed: list[Value] = field(default_factory=list)
    count: int = 0

    @property
    def high(self) -> bool:
        """Whether it is too much rather than too little."""
        return self.worst > 0

    @property
    def span_db(self) -> str:
        """From the least to the worst, in words."""
        least, worst = f"{abs(self.least):.2f}", f"{abs(self.worst):.2f}"
        return f"{worst} dB" if least == worst else f"{least} to {worst} dB"

    @property
    def values(self) -> dict[str, Value]:
        return {"count": self.count, "listed": len(self.listed), "tones": self.listed}


def _beyond(
    lineup: Lineup, rows: Iterable[tuple[Meant, NDArray[np.float64]]], tolerance: float, unit: str
) -> _Beyond:
    """Tracks beyond a tolerance, either way."""
    out = _Beyond()
    for meant, values in rows:
        for k in lineup.judged:
            if not np.isfinite(values[k]) or abs(values[k]) <= tolerance:
                continue
            out.tracks.add(k)
            out.by[k] = max(out.by.get(k, 0.0), abs(float(values[k])))
            out.tones[spoken(meant)] = meant.tone.hz
            out.count += 1
            if len(out.listed) < 64:
                out.listed.append({"track": k + 1, "hz": round(meant.tone.hz, 3),
                                   unit: rounded(values[k], 3)})  # fmt: skip
            out.least = min(out.least, abs(float(values[k])))
            if abs(values[k]) > abs(out.worst):
                out.worst, out.at = float(values[k]), meant
    return out


def _low_and_high(
    lineup: Lineup, rows: list[tuple[Meant, NDArray[np.float64]]], tolerance: float, unit: str
) -> list[_Beyond]:
    """What is too low and what is too high, each if any: they are put right by opposite turns."""
    parts = [[(m, np.where(sign * v > 0, v, np.nan)) for m, v in rows] for sign in (-1, 1)]
    found = [_beyond(lineup, part, tolerance, unit) for part in parts]
    return sorted((one for one in found if one.at), key=lambda one: -abs(one.worst))


def level(lineup: Lineup, sheet: Sheet, *, declared: bool) -> list[Finding]:
    """Tracks off the level of the sheet, or of the other tracks; tracks without the tone."""
    tolerance = sheet.lineup.level_db
    tones = [lineup.reference] if lineup.reference else list(lineup.plain)
    rows = [(m, _kept(lineup, m, lineup.deviations_db(m))) for m in tones if m is not None]
    out = []
    for off in _low_and_high(lineup, rows, tolerance, "deviation_db"):
        if off.at is None:
            continue
        verdict = verdict_of(lineup, abs(off.worst) / tolerance, declared=declared)
        if _is_slate(off.at, sheet, declared=declared):
            verdict = Verdict.CLEAR
        how = "above" if off.high else "below"
        text = (
            f"The {spoken(off.at)} tone is {_off(off, how, _wanted(lineup, off.at), sheet)}; "
            f"{tolerance:g} dB is allowed."
        )
        if verdict is not Verdict.CLEAR:
            text += _level_turn(lineup, off, off.at)
        out.append(
            _finding(
                "level",
                verdict,
                text,
                tracks=off.tracks,
                at=off.at,
                values={"worst_db": rounded(off.worst, 3), "tolerance_db": tolerance,
                        "count": off.count, "listed": len(off.listed), "tracks": off.listed},
            )
        )  # fmt: skip
    return [*out, *_losses(lineup, tones[:1], declared=declared)]


def _is_slate(meant: Meant, sheet: Sheet, *, declared: bool) -> bool:
    """A low tone that no sheet asks for: takes are marked so, to be heard while tape is wound."""
    low = meant.tone.hz < LOW_HZ and not sheet.tape.low_frequency_compensated
    return low and not declared and sheet_tone(meant.tone.hz, sheet.lineup) is None


def _off(off: _Beyond, how: str, wanted: str, sheet: Sheet) -> str:
    """How far off, track by track where they are several: each has its own trimmer."""
    if len(off.by) < 2:
        return f"{off.span_db} {how} {wanted}"
    if len(off.by) > _MOST_TOLD:
        return f"{how} {wanted} by {off.span_db} (`reelvigil lineup` tells each track)"
    each = [f"by {db:.2f} dB on {sheet.track_name(k)}" for k, db in sorted(off.by.items())]
    return f"{how} {wanted} {', '.join(each[:-1])} and {each[-1]}"


def _wanted(lineup: Lineup, at: Meant) -> str:
    """What a level is held against."""
    if at.expected_dbfs is not None:
        return f"the {at.expected_dbfs:.1f} dBFS of the sheet"
    common, count = lineup.common_level(at)
    if not count:
        return f"the middle of all tracks, {common:.2f} dBFS"
    return f"the {common:.2f} dBFS that {count} tracks share"


def _level_turn(lineup: Lineup, off: _Beyond, at: Meant) -> str:
    """What to turn; against each other, tracks do not tell which of them is right."""
    each = " of each" if len(off.by) > 1 else ""
    turn = f"urn the replay level{each} {'down' if off.high else 'up'} by as much"
    if at.expected_dbfs is not None:
        return f" T{turn}."
    no_mark = " No reference_dbfs is set in the sheet: the tracks are held against each other only."
    if not lineup.common_level(at)[1]:
        return f"{no_mark} No level is shared by most, so set it before anything is turned."
    return f"{no_mark} If those that agree are right, t{turn}."


def _losses(lineup: Lineup, first: Iterable[Meant], *, declared: bool) -> list[Finding]:
    """Tracks without the tone that others carry: from the first on, or lost in a later one."""
    out = []
    verdict = verdict_of(lineup, 9.0, declared=declared)
    never: set[int] = set()
    for meant in first:
        never = {k for k in lineup.judged if _lost(lineup, meant)[k]}
        if never:
            text = (
                f"The {spoken(meant)} tone that the other tracks carry is not there, or "
                f"{LOST_DB:g} dB and more under theirs. Look at the head, the card and the cable."
            )
            out.append(_finding("level", verdict, text, tracks=never, at=meant))
    gone = _Beyond()
    for meant in lineup.plain:
        if not declared and meant.nominal_hz is None:
            continue  # a note of the music, maybe
        lost = _lost(lineup, meant)
        for k in (k for k in lineup.judged if lost[k] and k not in never):
            gone.tracks.add(k)
            gone.tones[spoken(meant)] = meant.tone.hz
            gone.at = gone.at or meant
            gone.count += 1
            if len(gone.listed) < 64:
                gone.listed.append({"track": k + 1, "hz": round(meant.tone.hz, 3)})
    if gone.at is not None:
        many = len(gone.tracks) > 1
        text = (
            f"{'Tracks' if many else 'The track'} lost the tone: {_several(gone.tones)} not there, "
            f"or {LOST_DB:g} dB and more under the other tracks, while another tone is there. Look "
            f"at the head, the card and the cable of {'these tracks' if many else 'this track'}."
        )
        values = {"lost": True} | gone.values
        out.append(_finding("level", verdict, text, tracks=gone.tracks, at=gone.at, values=values))
    return out


def _lost(lineup: Lineup, meant: Meant) -> NDArray[np.bool_]:
    """(tracks,): whether a tone is not there, or far under the tracks that hold it."""
    levels = meant.levels_dbfs
    holding = [
        levels[k] for k in lineup.judged if meant.tone.tracks[k].holds and np.isfinite(levels[k])
    ]
    if not holding:
        return ~np.isfinite(levels)
    return ~np.isfinite(levels) | (levels < float(median(holding)) - LOST_DB)


def _kept(lineup: Lineup, meant: Meant, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of the tracks that have the tone; the others are told of as such."""
    return np.where(_lost(lineup, meant), np.nan, values)


def response(lineup: Lineup, sheet: Sheet, *, declared: bool) -> list[Finding]:
    """Tones off the reference tone of the same track; the likely curve where one fits."""
    rows: list[tuple[Meant, NDArray[np.float64]]] = []
    low: list[tuple[Meant, NDArray[np.float64]]] = []
    for meant in lineup.tones:
        relative = lineup.response_db(meant)
        if relative is None:
            continue
        relative = _kept(lineup, meant, _kept(lineup, lineup.reference or meant, relative))
        if meant.tone.hz < LOW_HZ and not sheet.tape.low_frequency_compensated:
            far = np.abs(relative) > LOW_MOST_DB
            low.append((meant, np.where(far, np.nan, relative)))
            relative = np.where(far, relative, np.nan)
        rows.append((meant, relative))
    tolerance = sheet.lineup.response_db
    out = []
    hint, curves = _curve_hint(lineup, [*rows, *low], sheet)
    reference = spoken(lineup.reference) if lineup.reference else ""
    values: dict[str, Value] = {"tolerance_db": tolerance}
    for off in _low_and_high(lineup, rows, tolerance, "relative_db"):
        verdict = verdict_of(lineup, abs(off.worst) / tolerance, declared=declared)
        text = (
            f"Against the {reference} tone of the same track, {_several(off.tones)} {off.span_db} "
            f"{'high' if off.high else 'low'}; {tolerance:g} dB is allowed."
        )
        if hint:
            text += hint
        elif verdict is not Verdict.CLEAR:
            text += _turn(off)
        worst: dict[str, Value] = {"worst_db": rounded(off.worst, 3), "likely": curves}
        out.append(_finding("response", verdict, text, tracks=off.tracks, at=off.at,
                            values=values | worst | off.values))  # fmt: skip
    if hint and not out:
        out.append(_finding("response", Verdict.CLEAR, hint.strip(), values={"likely": curves}))
    off = _beyond(lineup, low, tolerance, "relative_db")
    if off.at is not None:
        out.append(
            _finding(
                "response",
                Verdict.CLEAR,
                f"Against the {reference} tone, {spoken(off.at)} is up to {abs(off.worst):.2f} dB "
                f"{'high' if off.high else 'low'}; below 250 Hz fringing and the head's own bumps "
                "do that, unless the tape is compensated for it.",
                tracks=off.tracks,
                at=off.at,
                values=values | {"worst_db": rounded(off.worst, 3)} | off.values,
            )
        )
    return out


def _several(tones: Mapping[str, float]) -> str:
    """``10 kHz is``, ``10 kHz and 15 kHz are``."""
    names = sorted(tones, key=lambda name: tones[name])
    if len(names) == 1:
        return f"{names[0]} is"
    if len(names) > 4:
        return f"tones from {names[0]} to {names[-1]} are"
    return f"{', '.join(names[:-1])} and {names[-1]} are"


def _turn(off: _Beyond) -> str:
    """What to turn on the machine."""
    way = "down" if off.high else "up"
    if min(off.tones.values()) >= HIGH_HZ:
        return f" Turn the treble of the replay equaliser {way}" + (
            "." if off.high else "; a dirty head loses treble too."
        )
    if max(off.tones.values()) < LOW_HZ:
        return f" Turn the bass of the replay equaliser {way}."
    return " Look at the replay equaliser."


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
        if not _is_slate(m, sheet, declared=declared)  # somebody speaks over it
    ]  # fmt: skip
    off = _beyond(lineup, rows, tolerance, "distortion_percent")
    if off.at is None:
        return []
    return [
        _finding(
            "distortion",
            verdict_of(lineup, off.worst / tolerance, declared=declared),
            f"Second and third harmonic of the {spoken(off.at)} tone reach {off.worst:.1f} %; "
            f"{tolerance:g} % is allowed. The tone may have been recorded so.",
            tracks=off.tracks,
            at=off.at,
            values={"worst_percent": rounded(off.worst, 2), "tolerance_percent": tolerance}
            | off.values,
        )
    ]
