"""The morning summary as text: for the terminal, and for the file the daemon writes."""

from __future__ import annotations

import io

from rich.console import Console
from rich.text import Text

from watcher import morning_words as words
from watcher.console import (
    console_on,
    print_caution,
    print_groups,
    print_indented,
    print_lines,
    shown_text,
)
from watcher.morning import Morning

_MOST_LINES = 20  # of one list; the rest is counted
_FILE_WIDTH = 80  # as a letter or a plain terminal shows it


def text_of(morning: Morning) -> str:
    """The summary as plain text."""
    stream = io.StringIO()
    print_morning(console_on(stream, width=_FILE_WIDTH), morning)
    return stream.getvalue()


def print_morning(console: Console, morning: Morning) -> None:
    """Print it: trouble first, then what there is to do, then what is well."""
    console.print(Text(words.span(morning), style="bold"))
    for said in words.alive(morning):
        print_indented(console, Text(said.text, style="bold red" if said.alarm else ""), 0)
    for trouble in words.troubles(morning):
        print_lines(console, trouble, style="yellow")
    console.print()
    print_indented(console, Text(words.checked(morning)), 0)
    print_groups(console, morning.groups, tops=morning.tops)
    for listed in words.lists(morning):
        _print_list(console, listed)
    console.print()
    print_indented(console, Text(words.stored(morning)), 0)
    for volume in morning.volumes:
        print_indented(console, Text(words.volume(volume)), 0)
    print_caution(console)


def _print_list(console: Console, listed: words.Titled) -> None:
    items = listed.items
    if not items:
        return
    console.print()
    console.print(Text(f"{listed.title} ({len(items)})", style="bold"))
    for item in items[:_MOST_LINES]:
        line = f"{item.name}  {item.text}" if item.name else item.text
        print_indented(console, Text(shown_text(line)), 2, hang=2)
    if len(items) > _MOST_LINES:
        print_indented(console, Text(f"and {len(items) - _MOST_LINES} more"), 2)
