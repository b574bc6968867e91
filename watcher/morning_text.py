"""The morning summary as text: for the terminal, and for the file the daemon writes."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import datetime

from rich.console import Console
from rich.text import Text

from watcher.console import (
    console_on,
    print_caution,
    print_groups,
    print_indented,
    shown_text,
)
from watcher.files import shown
from watcher.morning import Morning, Waiting
from watcher.summary import Heading, placed

_MOST_LINES = 20  # of one list; the rest is counted
_FILE_WIDTH = 80  # as a letter or a plain terminal shows it
_COUNTED = {
    Heading.UNREAD: "not looked at",
    Heading.REPLAY: "to play again",
    Heading.FILE: "with the file at fault",
    Heading.LISTEN: "to listen to",
    Heading.CLEAR: "clear",
}


def text_of(morning: Morning) -> str:
    """The summary as plain text."""
    stream = io.StringIO()
    print_morning(console_on(stream, width=_FILE_WIDTH), morning)
    return stream.getvalue()


def print_morning(console: Console, morning: Morning) -> None:
    """Print it: trouble first, then what there is to do, then what is well."""
    console.print(Text(f"From {_local(morning.since)} to {_local(morning.until)}", style="bold"))
    _alive(console, morning)
    _troubles(console, morning)
    if morning.checked:
        counts = ", ".join(
            f"{len(morning.groups[h])} {_COUNTED[h]}" for h in Heading if morning.groups[h]
        )
        if gone := morning.clear_gone:
            counts += f"{', ' if counts else ''}{gone} clear, and no longer there"
        captures = "1 capture" if morning.checked == 1 else f"{morning.checked} captures"
        console.print()
        print_indented(
            console,
            Text(
                f"{captures} checked, {_hours(morning.audio_s)} of audio, "
                f"{_size(morning.bytes)}: {counts}."
            ),
            0,
        )
    else:
        console.print()
        text = (
            "The daemon checked no capture in this time. What `reelvigil check` looks at is told "
            "by the reports it writes, not here."
        )
        print_indented(console, Text(text), 0)
    print_groups(console, morning.groups)
    _list(console, "Line-ups", [shown(line.text) for line in morning.line_ups])
    name = placed(
        [
            *((folder, name) for name, folder, _ in morning.still_open),
            *((item.folder, item.name) for item in (*morning.missing, *morning.waiting)),
        ]
    )
    _list(
        console,
        "Still open from before",
        [f"{shown(name(folder, n))}  {verdict}" for n, folder, verdict in morning.still_open],
    )
    _list(console, "No longer there", [_waits(item, name) for item in morning.missing])
    _list(console, "Waiting", [_waits(item, name) for item in morning.waiting])
    _coverage(console, morning)
    for volume in morning.volumes:
        said = f"{shown(volume.root)}: {volume.state}"
        if volume.detail:
            said += f" ({shown(volume.detail)})"
        if volume.free_bytes is not None:
            said += f", {volume.free_bytes / 1e9:.0f} GB free"
        if volume.hours is not None:
            said += f": {volume.hours:.1f} h of recording at the rate of the newest capture"
        print_indented(console, Text(said), 0)
    print_caution(console)


def _alive(console: Console, morning: Morning) -> None:
    if not morning.ever_alive:
        text = "No daemon has run here: nothing that came in was looked at."
        print_indented(console, Text(text, style="bold red"), 0)
    elif morning.first_began is not None:
        text = f"The daemon ran here for the first time on {_local(morning.first_began)}."
        print_indented(console, Text(text), 0)
    elif not morning.gaps:
        print_indented(console, Text("The daemon was alive all the time."), 0)
    for gap in morning.gaps if morning.ever_alive else ():
        text = f"The daemon was not alive from {_local(gap.began)} to {_local(gap.ended)}."
        print_indented(console, Text(text, style="bold red"), 0)
    if morning.ever_alive and not morning.alive:
        text = "It is not running now: what comes in is not looked at."
        print_indented(console, Text(text, style="bold red"), 0)


def _troubles(console: Console, morning: Morning) -> None:
    for trouble in morning.troubles:
        until = f" to {_local(trouble.ended)}" if trouble.ended else ", and still"
        text = f"From {_local(trouble.began)}{until}: {shown_text(trouble.text)}"
        print_indented(console, Text(text, style="yellow"), 0)


def _coverage(console: Console, morning: Morning) -> None:
    coverage = morning.coverage
    _list(
        console,
        "Stored files that verification found otherwise than recorded",
        [f"{state}  {shown(path)}  {shown(text)}" for path, state, text in coverage.changed],
    )
    console.print()
    said = _stored(morning)
    if coverage.oldest:
        said += f"; the longest unread was last read in full on {_local(coverage.oldest)}"
    if coverage.share is not None and coverage.within_days is not None:
        said += f"; {100 * coverage.share:.0f} % within the last {coverage.within_days:.0f} days"
    if coverage.doubtful:
        said += (
            f"; {coverage.doubtful} were touched in a way that left size and date alone, and are "
            "read again as soon as there is time"
        )
    if coverage.counts:
        found = ", ".join(f"{count} {state}" for state, count in coverage.counts.items())
        said += f"; verified in this time: {found}"
    print_indented(console, Text(said + "."), 0)


def _stored(morning: Morning) -> str:
    """How many stored captures the daemon has on record, and why there is none."""
    if morning.coverage.captures:
        count = morning.coverage.captures
        return f"{count} stored capture{'s' if count != 1 else ''} on record"
    if not morning.missing and not morning.waiting:
        return "The daemon has no stored capture on record yet"
    parts = [(len(morning.missing), "no longer there"), (len(morning.waiting), "waiting")]
    rest = " and ".join(f"{count} {what}" for count, what in parts if count)
    return f"Of the captures that the daemon has on record none is stored and checked: {rest}"


def _list(console: Console, title: str, lines: list[str]) -> None:
    if not lines:
        return
    console.print()
    console.print(Text(f"{title} ({len(lines)})", style="bold"))
    for line in lines[:_MOST_LINES]:
        print_indented(console, Text(line), 2, hang=2)
    if len(lines) > _MOST_LINES:
        print_indented(console, Text(f"and {len(lines) - _MOST_LINES} more"), 2)


def _waits(item: Waiting, name: Callable[[str, str], str]) -> str:
    called = shown(name(item.folder, item.name))
    return f"{called}  {shown_text(item.why)}, since {_local(item.since)}"


def _hours(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 3600:.1f} h" if seconds >= 7200 else f"{seconds / 60:.0f} min"


def _size(count: float) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.1f} MB"


def _local(at: str) -> str:
    return datetime.fromisoformat(at).astimezone().strftime("%Y-%m-%d %H:%M")
