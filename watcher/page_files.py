"""The files of a capture on its page: what they are, their digests, and what was expected."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Final

from checks.measures import BextLine, ContainerFileLine
from config.merging import flat
from watcher.files import shown
from watcher.page_tables import Cell, Section, Table, cells, count, number
from watcher.report import Earlier, Report, exact
from watcher.summary import signed

_DEFAULT: Final = "default"  # what the report calls the source of a value that nobody wrote
_DIGESTS: Final = (
    "SHA-256 (FIPS 180-4) of each file as it lies on the disk: whoever holds a copy compares it "
    "with what `sha256sum` says, letter by letter. The other one is of the audio alone, which "
    "stays the same where only a header is changed."
)


def files(report: Report) -> Section:
    """Digests in full, to be compared by hand, and how the files are built."""
    capture = report.capture
    container = report.measures.container
    lines = container.files if container is not None else ()
    names = [shown(exact(line.name, line.name_b64)) for line in capture.files]
    own = _whose(report, names)
    tables = [
        Table(
            title="Files",
            heads=("file", "bytes", "modified", "container"),
            rows=tuple(
                cells(name, count(line.bytes), line.modified, line.container)
                for name, line in zip(names, capture.files, strict=True)
            ),
        ),
        Table(
            title="Digests",
            heads=("file", "of", "SHA-256"),
            rows=tuple(
                (*cells(name, what), Cell(text=digest, exact=True) if digest else cells(None)[0])
                for name, line in zip(names, capture.files, strict=True)
                for what, digest in (("file", line.sha256), ("audio", line.audio_sha256))
            ),
        ),
        Table(
            title="Digests that were stored with the audio, or in lists beside it",
            heads=("kind", "expected", "found", "agrees"),
            rows=tuple(
                (
                    *cells(line.kind),
                    Cell(text=line.expected, exact=True),
                    *([Cell(text=line.found, exact=True)] if line.found else cells(None)),
                    *cells({True: "yes", False: "NO", None: None}[line.agrees]),
                )
                for line in (report.measures.checksum.stored if report.measures.checksum else ())
            ),
        ),
        Table(
            title="What was there before",
            heads=("checked", "SHA-256", "verdict", "file", "decided"),
            rows=tuple(_before(state) for state in report.earlier),
        ),
        Table(
            title="Chunks and lengths",
            heads=("file", "kind", "frames by the header", "frames found", "audio from", "chunks"),
            rows=tuple(_built(name, line) for name, line in zip(own, lines, strict=True)),
            folded=True,
        ),
        *_broadcast(own, lines),
    ]
    return Section(
        title="Files and digests",
        sentences=(_DIGESTS,),
        tables=tuple(table for table in tables if table.rows),
    )


def _whose(report: Report, names: list[str]) -> list[str | None]:
    """The file that each line of the containers is about; None where nothing says so."""
    container = report.measures.container
    lines = container.files if container is not None else ()
    by_name = {line.name: name for line, name in zip(report.capture.files, names, strict=True)}
    in_order = names if len(names) == len(lines) else [None] * len(lines)
    return [
        by_name.get(line.name, shown(line.name)) if line.name else name
        for line, name in zip(lines, in_order, strict=True)
    ]


def _before(state: Earlier) -> tuple[Cell, ...]:
    decided = signed(state.signoff) if state.signoff is not None else None
    digest = Cell(text=state.sha256, exact=True) if state.sha256 else cells(None)[0]
    return (*cells(state.at), digest, *cells(state.verdict.value, state.file, decided))


def _built(name: str | None, line: ContainerFileLine) -> tuple[Cell, ...]:
    chunks = ", ".join(f"{c.id!r} at {c.offset:,}: {c.bytes:,} bytes" for c in line.chunks)
    begins = f"byte {line.audio_offset:,}" if line.audio_offset is not None else None
    frames = (count(line.header_frames), count(line.found_frames))
    return cells(name, line.kind, *frames, begins, chunks or None)


def _broadcast(names: list[str | None], lines: tuple[ContainerFileLine, ...]) -> Iterator[Table]:
    rows = [
        cells(name, key, value)
        for name, line in zip(names, lines, strict=True)
        for key, value in _extension(line.bext)
    ]
    yield Table(
        title="Broadcast extension",
        heads=("file", "what", "says"),
        rows=tuple(rows),
        folded=True,
    )


def _extension(bext: BextLine | None) -> Iterator[tuple[str, str]]:
    if bext is None:
        return
    told = {
        "description": bext.description,
        "originator": bext.originator,
        "originator's reference": bext.originator_reference,
        "date and time": f"{bext.origination_date} {bext.origination_time}".strip(),
        "time reference, samples": count(bext.time_reference),
        "UMID": bext.umid,
        "loudness, LUFS": bext.loudness_lufs,
        "true peak, dBTP": bext.max_true_peak_dbtp,
        "coding history": bext.coding_history,
    }
    for key, value in told.items():
        if value not in (None, ""):
            yield key, number(value, ".2f") if isinstance(value, float) else str(value)


def expected(report: Report) -> Section | None:
    """What the capture was held against, and where each value came from."""
    title = "What was expected"
    try:
        rows = list(_asked(report))
    except RecursionError:  # no sheet is like that, but a report may have been written by anybody
        told = "It is nested too deeply to be shown, and stands in the report."
        return Section(title=title, sentences=(told,))
    written = tuple(row for row in rows if row[-1].text != _DEFAULT)
    default = tuple(row for row in rows if row[-1].text == _DEFAULT)
    heads = ("key", "value", "from")
    tables = (
        Table(title="What was asked for", heads=heads, rows=written),
        Table(title="Defaults", heads=heads, rows=default, folded=True),
    )
    if not rows:
        return None
    return Section(
        title=title,
        sentences=() if written else ("Nothing but defaults applied.",),
        tables=tuple(table for table in tables if table.rows),
    )


def _asked(report: Report) -> Iterator[tuple[Cell, ...]]:
    for key, value in flat(report.expected.values).items():
        text = json.dumps(value, ensure_ascii=False)
        yield cells(key, text, report.expected.sources.get(key))
