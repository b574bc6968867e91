"""What the checks measured, as tables of a page: numbers, and bars where they are levels."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

from checks.measures import (
    ClippingLine,
    DropoutsLine,
    LineupMeasures,
    Measures,
    PairLine,
    ToneTrackLine,
    TrackLine,
    UltrasonicMeasures,
    UltrasonicTrackLine,
)
from checks.model import clock
from watcher.files import shown
from watcher.lineup_view import hertz, tone_name
from watcher.page_tables import FLOOR_DBFS, NONE, Cell, Section, Table, cells, count, level, number
from watcher.report import Report
from watcher.summary import track_names

_LEVELS: Final = (
    "AES17: a full-scale sine is 0 dBFS rms and 0 dBFS peak. Bars reach from "
    f"{FLOOR_DBFS:.0f} dBFS to full scale."
)
_DASH: Final = f"A dash ({NONE}): not measured, or nothing there to be measured."


def measured(report: Report) -> tuple[Section, ...]:
    """A section for each group of measures; of a check that did not run there is none."""
    measures = report.measures
    name = _namer(report)
    parts = [
        _section("Levels", (_LEVELS, _DASH), _levels(measures, name)),
        _section("Counted, track by track", (), _counted(measures, name)),
        _section("Tracks against each other", (), _pairs(measures, name)),
    ]
    if measures.ultrasonic is not None:
        parts.append(_section("Above 20 kHz", _above(measures.ultrasonic), _bands(measures, name)))
    if measures.lineup is not None:
        said = tuple(_about(measures.lineup))
        parts.append(
            _section("Line-up", said, _lineup(measures.lineup, name))
            or (Section(title="Line-up", sentences=said) if said else None)
        )
    return tuple(part for part in parts if part is not None)


Name = Callable[[int], str]


def _namer(report: Report) -> Name:
    def name(track: int) -> str:
        called = shown(track_names(report, [track]))
        return called if called == f"track {track}" else f"{track} {called}"

    return name


def _section(title: str, sentences: Sequence[str], tables: Iterator[Table]) -> Section | None:
    made = tuple(table for table in tables if table.rows)
    return Section(title=title, sentences=tuple(sentences), tables=made) if made else None


# -- levels, and what is counted -------------------------------------------------------------


def _levels(measures: Measures, name: Name) -> Iterator[Table]:
    peaks = {line.track: line for line in measures.clipping.tracks} if measures.clipping else {}
    means = {line.track: line for line in measures.tracks.tracks} if measures.tracks else {}
    yield Table(
        title="Levels",
        heads=(
            *("track", "sample peak, dBFS", "true peak, dBTP", "rms, dBFS", "hiss, dBFS"),
            *("DC, %", "hum", "why a dash"),
        ),
        rows=tuple(
            _level_row(name(track), peaks.get(track), means.get(track))
            for track in sorted(peaks.keys() | means.keys())
        ),
    )


def _level_row(name: str, peak: ClippingLine | None, mean: TrackLine | None) -> tuple[Cell, ...]:
    hum = NONE
    if mean is not None and mean.hum_dbfs is not None:
        hum = f"{number(mean.hum_dbfs, '.1f')} dBFS"
        hum += f" at {number(mean.hum_hz, '.1f')} Hz" if mean.hum_hz is not None else ""
    whys = dict.fromkeys(line.why for line in (peak, mean) if line is not None and line.why)
    return (
        Cell(text=name),
        level(peak.sample_peak_dbfs if peak else None),
        level(peak.true_peak_dbtp if peak else None),
        level(mean.rms_dbfs if mean else None),
        level(mean.hiss_dbfs if mean else None),
        *cells(number(mean.dc_percent if mean else None, "+.3f"), hum, "; ".join(whys)),
    )


def _counted(measures: Measures, name: Name) -> Iterator[Table]:
    clipped = {line.track: line for line in measures.clipping.tracks} if measures.clipping else {}
    dropped = {line.track: line for line in measures.dropouts.tracks} if measures.dropouts else {}
    bits = dict(enumerate(measures.format.bits_used, 1)) if measures.format else {}
    yield Table(
        title="Counted, track by track",
        heads=(
            *("track", "bits used", "runs at full scale", "longest, samples", "flat tops"),
            *("zero runs", "held values", "repeated blocks", "steps", "contact losses"),
            "level dips",
        ),
        rows=tuple(
            (
                Cell(text=name(track)),
                *cells(bits.get(track)),
                *_clipped(clipped.get(track)),
                *_dropped(dropped.get(track)),
            )
            for track in sorted(clipped.keys() | dropped.keys() | bits.keys())
        ),
    )


def _clipped(line: ClippingLine | None) -> tuple[Cell, ...]:
    if line is None:
        return cells(None, None, None)
    tops = f"at {number(line.flat_top_dbfs, '.1f')} dBFS" if line.flat_top_dbfs is not None else ""
    return (
        *cells(count(line.full_scale_runs), count(line.longest_run)),
        Cell(text=count(line.flat_tops), more=tops),
    )


def _dropped(line: DropoutsLine | None) -> tuple[Cell, ...]:
    if line is None:
        return cells(*(None,) * 6)
    return cells(
        *map(count, (line.zero_runs, line.held_runs, line.repeated_blocks)),
        *map(count, (line.steps, line.contact_losses, line.level_dips)),
    )


def _pairs(measures: Measures, name: Name) -> Iterator[Table]:
    if measures.tracks is None:
        return
    yield Table(
        title="Pairs of tracks with something in common",
        heads=("tracks", "correlation", "gain, dB", "delay, us", "what differs, dB"),
        rows=tuple(_pair(line, name) for line in measures.tracks.pairs),
    )


def _pair(line: PairLine, name: Name) -> tuple[Cell, ...]:
    return cells(
        " and ".join(map(name, line.tracks)),
        number(line.correlation, "+.3f"),
        number(line.gain_db, "+.2f"),
        number(line.delay_us, "+.2f"),
        number(line.residual_db, "+.1f"),
    )


# -- above 20 kHz ----------------------------------------------------------------------------


def _above(measured: UltrasonicMeasures) -> tuple[str, ...]:
    share = measured.spectra_share
    looked = f" Spectra of {100 * share:.3g} % of the capture." if share is not None else ""
    return (
        "A band's level in dBFS; below it by how much it moves, and how closely with the programme "
        "between 5 and 18 kHz (1: always). What moves is no proof of music: distortion and "
        f"modulation noise move too.{looked}",
    )


def _bands(measures: Measures, name: Name) -> Iterator[Table]:
    tracks = measures.ultrasonic.tracks if measures.ultrasonic is not None else ()
    bands = dict.fromkeys((band.from_hz, band.to_hz) for line in tracks for band in line.bands)
    why = any(line.why for line in tracks)
    yield Table(
        title="Bands above 20 kHz",
        heads=(
            *("track", "programme up to", "brickwall"),
            *(f"{low / 1000:g}-{high / 1000:g} kHz" for low, high in bands),
            *(["why a dash"] if why else []),
        ),
        rows=tuple(_band_row(name(line.track), line, list(bands), why=why) for line in tracks),
    )
    yield Table(
        title="Steady lines",
        heads=("track", "frequency, kHz", "level, dBFS", "likely"),
        rows=tuple(
            (
                *cells(name(line.track), number(steady.hz / 1000, ".3f")),
                level(steady.dbfs),
                *cells(steady.likely),
            )
            for line in tracks
            for steady in line.lines
        ),
    )


def _band_row(
    name: str, line: UltrasonicTrackLine, bands: Sequence[tuple[float, float]], *, why: bool
) -> tuple[Cell, ...]:
    own = {(band.from_hz, band.to_hz): band for band in line.bands}
    row = list(cells(name, _khz(line.information_hz), _khz(line.brickwall_hz)))
    for band in (own.get(key) for key in bands):
        if band is None:
            row += cells(None)
            continue
        moves = number(band.movement_db, ".0f")
        row.append(level(band.level_dbfs, f"{moves} dB; {number(band.correlation, '.2f')}"))
    return (*row, *(cells(line.why or "") if why else ()))


def _khz(hz: float | None) -> str | None:
    return None if hz is None else f"{number(hz / 1000, '.1f')} kHz"


# -- the line-up -----------------------------------------------------------------------------


def _about(measured: LineupMeasures) -> Iterator[str]:
    stands_on = measured.stands_on
    if stands_on is not None:
        worst = f"; worst: {stands_on.worst.rstrip('.')}" if stands_on.worst else ""
        yield f"This capture stands on the line-up {stands_on.capture} of {stands_on.at}{worst}."
    if measured.tones:
        yield (
            "Level in dBFS; below it the deviation in dB and the phase in degrees (positive: later "
            "than the reference track)."
        )
    if measured.speed_error_percent is not None:
        yield f"Speed: {number(measured.speed_error_percent, '+.3f')} %."
    if measured.head_tilt_arcmin is not None:
        yield f"Tilt of the head: {number(measured.head_tilt_arcmin, '+.2f')} minutes of arc."
    more = measured.tones_found - len(measured.tones)
    if more > 0:
        yield f"Tones that were found beside and are not listed: {more}."


def _lineup(measured: LineupMeasures, name: Name) -> Iterator[Table]:
    tracks = sorted({line.track for tone in measured.tones for line in tone.tracks})
    yield Table(
        title="Tones",
        heads=("tone", "from", "for, s", "frequency, Hz", "flutter, %", *map(name, tracks)),
        rows=tuple(
            (
                *cells(
                    tone_name(tone),
                    clock(round(tone.start_s * 1000), 1000),
                    number(tone.end_s - tone.start_s, ".2f"),
                    number(tone.frequency_hz, ".3f"),
                    number(tone.flutter_percent, ".3f"),
                ),
                *_tone_cells({line.track: line for line in tone.tracks}, tracks),
            )
            for tone in measured.tones
        ),
    )
    yield Table(
        title="Against the reference track",
        heads=("track", "against", "delay, us", "+/- us", "minutes of arc", "polarity"),
        rows=tuple(
            cells(
                name(line.track),
                name(line.against),
                number(line.delay_us, "+.2f"),
                number(line.uncertainty_us, ".4f"),
                number(line.angle_arcmin, "+.2f"),
                "turned" if line.inverted else "right",
            )
            for line in measured.azimuth
        ),
    )
    by_tone: dict[float, dict[int, float]] = {}
    for line in measured.response:
        by_tone.setdefault(line.frequency_hz, {})[line.track] = line.relative_db
    heard = sorted({line.track for line in measured.response})
    yield Table(
        title="Response, dB against the reference tone of each track",
        heads=("frequency", *map(name, heard)),
        rows=tuple(
            cells(hertz(hz), *(number(found.get(track), "+.2f") for track in heard))
            for hz, found in by_tone.items()
        ),
    )


def _tone_cells(lines: dict[int, ToneTrackLine], tracks: Sequence[int]) -> Iterator[Cell]:
    for line in map(lines.get, tracks):
        if line is None:
            yield Cell(text=NONE)
            continue
        parts = [(line.deviation_db, "+.2f", " dB"), (line.phase_deg, "+.1f", "\N{DEGREE SIGN}")]
        more = "; ".join(f"{number(v, form)}{unit}" for v, form, unit in parts if v is not None)
        yield Cell(text=number(line.level_dbfs, ".2f"), more=more)
