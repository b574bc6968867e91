"""A capture's line-up as a compact table, tone by track: eight tracks fit into 80 columns.

Each number has a table of its own (level, deviation, phase), because four numbers in a cell fit no
terminal; delay, uncertainty and angle are one table by track. More than eight tracks are folded:
eight columns, and the next eight below; fewer where there is less room.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from checks.measures import LineupMeasures, ToneLine, ToneTrackLine
from checks.model import Verdict, clock
from watcher.files import shown
from watcher.report import Report

WIDTH: Final = 80
COLUMNS: Final = 8  # of a table, at the most
_FIRST: Final = 15  # of a row: the tone
_CELL: Final = 8
_FEW_TRACKS: Final = 4  # fewer cannot tell a tilt of the head from a late track
NONE: Final = "-"
_BOUND: Final = "\N{NO-BREAK SPACE}"  # inside what is not to be parted; shown as a blank


def lineup_lines(report: Report, width: int = WIDTH) -> Iterator[str]:
    """The whole view, line by line; at most ``width`` columns but for names that are longer."""
    yield shown(report.capture.name)
    for line in _below_name(report, min(COLUMNS, max((width - _FIRST) // _CELL, 1))):
        for part in textwrap.wrap(line, width, subsequent_indent=" " * 6) or [line]:
            yield part.replace(_BOUND, " ")


def _below_name(report: Report, columns: int) -> Iterator[str]:
    measured = report.measures.lineup
    if measured is None:
        yield "  the line-up could not be looked at"
        return
    if not measured.tones:
        unread = any(f.verdict is Verdict.UNREAD for f in report.findings)
        if unread and not report.capture.frames:
            yield "  could not be read: whether there are line-up tones in it is not known"
        else:
            yield "  no line-up tones found" + (" in what could be read" if unread else "")
        return
    yield from _about(measured)
    names = report.capture.tracks
    for title, value in _TABLES:
        yield ""
        yield f"  {title}"
        yield from _table(measured.tones, value, names, columns)
    yield ""
    yield from _by_track(measured, names, columns)
    if measured.tones_found > len(measured.tones):
        more = measured.tones_found - len(measured.tones)
        yield f"  and {more} more tone{'s' if more > 1 else ''}, not listed"


def _about(measured: LineupMeasures) -> Iterator[str]:
    for tone in measured.tones:
        parts = [
            clock(round(tone.start_s * 1000), 1000),
            f"{tone.end_s - tone.start_s:7.2f} s",
        ]
        parts.append(f"{tone.frequency_hz:11.3f} Hz")
        if tone.kind == "reference-tone":
            parts.append("noise-reduction tone")
        elif tone.nominal_hz:
            percent = 100 * (tone.frequency_hz / tone.nominal_hz - 1)
            parts.append(f"{number(percent, '+.3f')} % of {hertz(tone.nominal_hz)}")
        if tone.flutter_percent is not None:
            parts.append(f"flutter {tone.flutter_percent:.3f} %")
        yield "  " + "  ".join(part.replace(" ", _BOUND) for part in parts)
        if tone.step_db:
            yield f"      taken to be recorded {-tone.step_db:.0f} dB lower on purpose"


def hertz(hz: float) -> str:
    """A frequency as people say it."""
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def tone_name(tone: ToneLine) -> str:
    """What a tone is called in a table: by the frequency it was meant to have."""
    name = hertz(tone.nominal_hz) if tone.nominal_hz else f"{tone.frequency_hz:.1f} Hz"
    return name + (" NR" if tone.kind == "reference-tone" else "")


def number(value: float | None, form: str) -> str:
    """A number in a form such as ``+.2f``; a dash where there is none."""
    if value is None:
        return NONE
    digits = int(form.strip("+f").partition(".")[2])
    return format(round(value, digits) + 0.0, form)  # no minus before a zero


Value = Callable[[ToneTrackLine], str]
_TABLES: Final[tuple[tuple[str, Value], ...]] = (
    ("level, dBFS", lambda line: number(line.level_dbfs, ".2f")),
    ("deviation, dB", lambda line: number(line.deviation_db, "+.2f")),
    ("phase, degrees (positive: later)", lambda line: number(line.phase_deg, "+.1f")),
)


def _table(
    tones: Sequence[ToneLine], value: Value, names: Sequence[str], columns: int
) -> Iterator[str]:
    count = max(len(tone.tracks) for tone in tones)
    for first in range(0, count, columns):
        yield _header("tone", range(first, min(first + columns, count)), names)
        for tone in tones:
            cells = [f"{value(line):>{_CELL}}" for line in tone.tracks[first : first + columns]]
            yield f"  {tone_name(tone):{_FIRST - 2}}" + "".join(cells)


def _header(first: str, tracks: range, names: Sequence[str]) -> str:
    cells = "".join(f"{_short(k, names):>{_CELL}}" for k in tracks)
    return f"  {first:{_FIRST - 2}}" + cells


def _short(track: int, names: Sequence[str]) -> str:
    """A track's number, and what fits of its name."""
    name = names[track] if track < len(names) else ""
    if not name or name == f"track {track + 1}":
        return str(track + 1)
    room = _CELL - 2 - len(str(track + 1))
    return f"{track + 1} {shown(name)[:room]}".rstrip()


def _by_track(measured: LineupMeasures, names: Sequence[str], columns: int) -> Iterator[str]:
    if not measured.azimuth:
        return
    against = measured.azimuth[0].against
    yield f"  against track {against}"
    lines = measured.azimuth
    for first in range(0, len(lines), columns):
        part = lines[first : first + columns]
        cells = "".join(f"{_short(line.track - 1, names):>{_CELL}}" for line in part)
        yield f"  {'track':{_FIRST - 2}}{cells}"
        rows = {
            "delay, us": [number(line.delay_us, "+.2f") for line in part],
            "+/- us": [number(line.uncertainty_us, ".4f") for line in part],
            "arc minutes": [number(line.angle_arcmin, "+.2f") for line in part],
        }
        if any(line.inverted for line in part):
            rows["polarity"] = ["turned" if line.inverted else "right" for line in part]
        for title, values in rows.items():
            if any(value != NONE for value in values):
                row = "".join(f"{value:>{_CELL}}" for value in values)
                yield f"  {title:{_FIRST - 2}}{row}"
    if measured.head_tilt_arcmin is not None:
        few = len(lines) < _FEW_TRACKS - 1  # the reference has no line of its own
        or_else = ", or a track that is late of its own" if few else ""
        yield f"  tilt of the head: {measured.head_tilt_arcmin:+.2f} minutes of arc{or_else}"
