"""Rows to the terminal: grouped by what there is to do, safe for any name, no colour off it."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING, Final

from rich.console import Console
from rich.markup import escape
from rich.text import Text

from watcher.files import shown
from watcher.summary import CAUTION, WHAT_NOW, CaptureRow, FindingRow, Heading, placed, stand_twice

if TYPE_CHECKING:
    from rich.progress import Progress

MOST_FINDINGS: Final = 12  # a screenful; the rest is counted and stands in the report
_PLACES: Final = 5  # told of those beside the first, where one finding has many
_NOTES_BY: Final = "Notes are printed by check --notes, and by show at any time."
_LEAST_WIDTH: Final = 20  # less holds no sentence
_PLAIN_WIDTH: Final = 100  # where the output is no terminal
_STYLES: Final = {
    Heading.UNREAD: "bold magenta",
    Heading.REPLAY: "bold red",
    Heading.FILE: "bold cyan",
    Heading.LISTEN: "bold yellow",
    Heading.CLEAR: "bold green",
}


def console_on(stream: IO[str], *, width: int | None = None) -> Console:
    """A console that has no colour and no live lines where the stream is no terminal.

    Args:
        width: where it is none; by default what COLUMNS says, else 100.
    """
    asked = os.environ.get("COLUMNS", "")
    if width is None:
        width = int(asked) if asked.isdecimal() and int(asked) >= _LEAST_WIDTH else _PLAIN_WIDTH
    terminal = stream.isatty() and os.environ.get("TERM") != "dumb"
    return Console(
        file=stream,
        force_terminal=terminal,
        no_color=not terminal or bool(os.environ.get("NO_COLOR")),
        width=None if terminal else width,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=False,
    )


def print_groups(
    console: Console,
    groups: Mapping[Heading, Sequence[CaptureRow]],
    *,
    notes: bool = False,
    tops: Iterable[str] = (),
) -> None:
    """Everything under its heading, what could not be looked at first.

    Args:
        notes: print those as well.
        tops: folders that the reader has in mind; captures are named from there.
    """
    name = placed(((row.folder, row.name) for rows in groups.values() for row in rows), tops)
    if twice := stand_twice(groups):
        print_indented(console, Text(twice, style="dim"), 0)
    for heading in Heading:
        rows = groups[heading]
        if not rows:
            continue
        title = Text(f"{heading.value} ({len(rows)})", style=_STYLES[heading])
        console.print()
        console.print(title)
        print_indented(console, Text(WHAT_NOW[heading], style="dim"), 2)
        for row in rows:
            _print_capture(console, row, name(row.folder, row.name), notes=notes)
    if not notes and any(row.told for rows in groups.values() for row in rows):
        console.print()
        print_indented(console, Text(_NOTES_BY, style="dim"), 0)


def _print_capture(console: Console, row: CaptureRow, name: str, *, notes: bool) -> None:
    line = Text()
    if row.reel:
        line.append(f"reel {shown(row.reel)}  ")
    line.append(shown(name), style="bold")
    line.append(f"  {row.about}", style="dim")
    if row.signed:
        line.append(f"  {shown(row.signed)}", style="dim")
    if row.gone:
        line.append("  (no longer there)", style="bold")
    if row.told and not notes:
        count = f"{len(row.told)} note{'s' if len(row.told) != 1 else ''}"
        line.append(f"  ({count})", style="dim")
    print_indented(console, line, 2, hang=2)
    for finding in row.findings[:MOST_FINDINGS]:
        print_indented(console, _finding_text(finding), 6)
    rest = len(row.findings) - MOST_FINDINGS
    if rest > 0:
        print_indented(console, Text(f"and {rest} more, in the report"), 6)
    for note in row.told if notes else ():
        text = Text("note: ", style="dim") + _finding_text(note)
        text.stylize("dim")
        print_indented(console, text, 6, hang=2)


def print_indented(console: Console, text: Text, indent: int, *, hang: int = 0) -> None:
    """Print text wrapped to the width, each line set in, nothing behind the last word.

    Args:
        hang: how much further all lines but the first are set in.
    """
    for number, line in enumerate(text.wrap(console, max(console.width - indent - hang, 20))):
        line.rstrip()
        console.print(Text(" " * (indent + hang * (number > 0))) + line, soft_wrap=True)


def print_lines(console: Console, text: str, *, style: str = "") -> None:
    """Print a sentence, and what stands on the lines below it set in."""
    for number, line in enumerate(text.split("\n")):
        indent = 2 * (number > 0)
        print_indented(console, Text(shown_text(line), style=style), indent, hang=indent)


def _finding_text(row: FindingRow) -> Text:
    text = Text()
    if row.place:
        text.append(f"{row.place}  ", style="bold")
    if row.tracks:
        text.append(f"{shown(row.tracks)}: ")
    text.append(shown_text(row.text))
    if row.also:
        more = max(len(row.also) - _PLACES, 0) + row.more
        text.append(" Also at ")
        text.append(", ".join(row.also[:_PLACES]), style="bold")
        text.append(f", and {more} more" if more > 0 else "")
        text.append(".")
    text.append(f"  [{row.kind}]", style="dim")
    return text


def shown_text(text: str) -> str:
    """A sentence of ours: names in it were made safe when it was written; controls cannot pass."""
    return "".join(ch if ch.isprintable() else " " for ch in text)


def size_text(count: float) -> str:
    """A number of bytes in the unit that suits it."""
    if count >= 1e9:
        return f"{count / 1e9:.2f} GB"
    return f"{count / 1e6:.2f} MB" if count >= 1e6 else f"{count / 1e3:.1f} kB"


def print_caution(console: Console) -> None:
    console.print()
    print_indented(console, Text(CAUTION, style="dim"), 0)


class Work:
    """Progress of long work on standard error: done, rate, time left. Silent off a terminal."""

    def __init__(self, progress: Progress | None, total: float) -> None:
        self._progress = progress
        self._task = progress.add_task("", total=total) if progress else None

    def on(self, name: str) -> None:
        """Say what is being worked on."""
        if self._progress is not None and self._task is not None:
            self._progress.update(self._task, description=escape(shown(name)))

    def add(self, count: float) -> None:
        if self._progress is not None and self._task is not None:
            self._progress.advance(self._task, count)


@contextmanager
def working(total_bytes: float) -> Iterator[Work]:
    """A progress bar by bytes for as long as the block runs, on a terminal with colours."""
    console = console_on(sys.stderr)
    if not console.is_terminal or console.no_color:
        yield Work(None, total_bytes)
        return
    from rich.progress import (  # only here is it shown, and it is half of rich
        BarColumn,
        DownloadColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
        TransferSpeedColumn,
    )

    progress = Progress(
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        DownloadColumn(binary_units=False),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    )
    with progress:
        yield Work(progress, total_bytes)
