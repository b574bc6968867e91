"""The morning summary in sentences: what is said and in which order, wherever it is read.

Pure: ``morning_text`` sets them for a terminal, ``morning_page`` for a browser. Names in them are
safe to print.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from watcher.files import shown
from watcher.morning import Morning, Volume, Waiting
from watcher.summary import Heading, placed

_COUNTED: Final = {
    Heading.UNREAD: "not looked at",
    Heading.REPLAY: "to play again",
    Heading.FILE: "with the file at fault",
    Heading.LISTEN: "to listen to",
    Heading.CLEAR: "clear",
}

_AT_FAULT: Final = {
    Heading.REPLAY: "the tape to play again",
    Heading.FILE: "the file at fault",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A sentence; ``alarm``: not to be read past, for what follows is not the whole."""

    text: str
    alarm: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A line of a list: what it is about, by name, and what is said of it.

    ``about``: the capture, as (folder, name), if it is one.
    """

    name: str
    text: str
    about: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Titled:
    """A list under its title; not told where it is empty."""

    title: str
    items: tuple[Item, ...]


def span(morning: Morning) -> str:
    """From when to when it tells."""
    return f"From {local(morning.since)} to {local(morning.until)}"


def alive(morning: Morning) -> Iterator[Said]:
    """Whether the daemon was there all the time: else an empty list is no good news."""
    if not morning.ever_alive:
        yield Said(text="No daemon has run here: nothing that came in was looked at.", alarm=True)
    elif morning.first_began is not None:
        yield Said(text=f"The daemon ran here for the first time on {local(morning.first_began)}.")
    elif not morning.gaps:
        yield Said(text="The daemon was alive all the time.")
    for gap in morning.gaps if morning.ever_alive else ():
        text = f"The daemon was not alive from {local(gap.began)} to {local(gap.ended)}."
        yield Said(text=text, alarm=True)
    if morning.ever_alive and not morning.alive:
        text = "It is not running now: what comes in is not looked at."
        yield Said(text=text, alarm=True)


def troubles(morning: Morning) -> Iterator[str]:
    """What hindered the daemon; some have lines below the first."""
    for trouble in morning.troubles:
        until = f" to {local(trouble.ended)}" if trouble.ended else ", and still"
        yield f"From {local(trouble.began)}{until}: {trouble.text}"


def checked(morning: Morning) -> str:
    """How much was checked, and how many of it want what."""
    if not morning.checked:
        return (
            "The daemon checked no capture in this time. What `reelvigil check` looks at is told "
            "by the reports it writes, not here."
        )
    counts = ", ".join(
        f"{len(morning.groups[h])} {_COUNTED[h]}" for h in Heading if morning.groups[h]
    )
    if gone := morning.clear_gone:
        counts += f"{', ' if counts else ''}{gone} clear, and no longer there"
    captures = "1 capture" if morning.checked == 1 else f"{morning.checked} captures"
    return (
        f"{captures} checked, {_hours(morning.audio_s)} of audio, {_size(morning.bytes)}: {counts}."
    )


def lists(morning: Morning) -> Iterator[Titled]:
    """What stands below the captures, list by list."""
    lines = tuple(Item(name="", text=shown(line.text)) for line in morning.line_ups)
    yield Titled(title="Line-ups", items=lines)
    name = placed(
        [
            *((one.folder, one.name) for one in morning.still_open),
            *((item.folder, item.name) for item in (*morning.missing, *morning.waiting)),
        ],
        morning.tops,
    )
    still = tuple(
        Item(
            name=shown(name(one.folder, one.name)),
            text=": ".join(filter(None, [one.verdict, _asked(one.asks)])),
            about=(one.folder, one.name),
        )
        for one in morning.still_open
    )
    yield Titled(title="Still open from before", items=still)
    yield Titled(title="No longer there", items=_waits(morning.missing, name))
    yield Titled(title="Waiting", items=_waits(morning.waiting, name))
    changed = tuple(
        Item(name=f"{state}  {shown(path)}", text=shown(text))
        for path, state, text in morning.coverage.changed
    )
    title = "Stored files that verification found otherwise than recorded"
    yield Titled(title=title, items=changed)


def _asked(headings: Iterable[Heading]) -> str:
    """Whether it is the tape or the file: that is the question in the morning."""
    return ", ".join(_AT_FAULT[heading] for heading in headings if heading in _AT_FAULT)


def _waits(items: tuple[Waiting, ...], name: Callable[[str, str], str]) -> tuple[Item, ...]:
    return tuple(
        Item(
            name=shown(name(item.folder, item.name)),
            text=f"{item.why}, since {local(item.since)}",
            about=(item.folder, item.name),
        )
        for item in items
    )


def stored(morning: Morning) -> str:
    """How many stored captures are on record, and how well they are known to be unchanged."""
    coverage = morning.coverage
    said = _on_record(morning)
    if coverage.oldest:
        said += f"; the one not read for longest was last read in full on {local(coverage.oldest)}"
    if coverage.share is not None and coverage.within_days is not None:
        days = "day" if coverage.within_days == 1 else f"{coverage.within_days:g} days"
        said += f"; {100 * coverage.share:.0f} % within the last {days}"
    if coverage.doubtful:
        was, are = ("was", "is") if coverage.doubtful == 1 else ("were", "are")
        said += (
            f"; {coverage.doubtful} {was} touched in a way that left size and date alone, and "
            f"{are} read again as soon as there is time"
        )
    if coverage.counts:
        found = ", ".join(f"{count} {state}" for state, count in coverage.counts.items())
        said += f"; verified in this time: {found}"
    return said + "."


def _on_record(morning: Morning) -> str:
    """How many stored captures the daemon has on record, and why there is none."""
    if morning.coverage.captures:
        count = morning.coverage.captures
        return f"{count} stored capture{'s' if count != 1 else ''} on record"
    if not morning.missing and not morning.waiting:
        return "The daemon has no stored capture on record yet"
    parts = [(len(morning.missing), "no longer there"), (len(morning.waiting), "waiting")]
    rest = " and ".join(f"{count} {what}" for count, what in parts if count)
    return f"Of the captures that the daemon has on record none is stored and checked: {rest}"


def volume(one: Volume) -> str:
    """A root: is it there, and for how much recording is there room."""
    said = f"{shown(one.root)}: {one.state}"
    if one.detail:
        said += f" ({shown(one.detail)})"
    if one.free_bytes is not None:
        free = one.free_bytes
        said += f", {f'{free / 1e9:.0f} GB' if free >= 1e10 else _size(free)} free"
    if one.hours is not None:
        said += f": {one.hours:.1f} h of recording at the rate of the newest capture"
    return said


def _hours(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 3600:.1f} h" if seconds >= 7200 else f"{seconds / 60:.0f} min"


def _size(count: float) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.1f} MB"


def local(at: str) -> str:
    """A moment by the clock on the wall."""
    return datetime.fromisoformat(at).astimezone().strftime("%Y-%m-%d %H:%M")
