"""Which files are the tracks of one take, and what is wrong with such a set.

By name alone (common practice): a token ``tr``, ``trk``, ``track`` or ``ch`` with a number, set
off by a space, dot, dash or underscore; or ``.L`` and ``.R`` at the end. Bare numbers at the end
are takes, not tracks, unless the sheet gives a pattern. Files of three and more channels are
captures of their own.
"""

from __future__ import annotations

import dataclasses
import os
import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from checks.container import Layout, parse
from checks.model import Finding, Remedy, Verdict
from checks.sheet import Sheet, TrackEntry
from watcher.errors import UnreadError
from watcher.files import FdSource, open_capture, shown
from watcher.settings import TrackSets

_TOKEN: Final = re.compile(
    r"(?P<before>^|.*[ _.\-])(?:tr|trk|track|ch)[ _.\-]?(?P<number>\d{1,3})(?P<after>$|[ _.\-].*)",
    re.IGNORECASE,
)
_SIDE: Final = re.compile(r"(?P<take>.+)\.(?P<side>[LR])", re.IGNORECASE)
_EDGES: Final = " _.-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """What is checked as one: a file, or the files of a track set in track order.

    Attributes:
        numbers: the number each file's name gives its track; empty for a single file.
    """

    name: str
    folder: Path
    files: tuple[Path, ...]
    numbers: tuple[int, ...] = ()

    @classmethod
    def of_file(cls, path: Path) -> Capture:
        return cls(name=path.name, folder=path.parent, files=(path,))

    @property
    def is_set(self) -> bool:
        return bool(self.numbers)

    @property
    def track_numbers(self) -> tuple[int, ...]:
        """The numbers of the tracks, from 1, also where the names count from 0."""
        return tuple(number + (0 in self.numbers) for number in self.numbers)

    @property
    def report_stem(self) -> Path:
        """The path whose name, with the report's suffix, is the sidecar's."""
        return self.folder / (f"{self.name}.set" if self.is_set else self.name)


def token(name: str, pattern: str | None = None) -> tuple[str, int] | None:
    """(take, track number) that a file name without its ending gives; None where it gives none.

    Args:
        pattern: of the sheet, with ``{take}`` and ``{track}``; None for the built-in rule.
    """
    if pattern is not None:
        text = re.escape(pattern)
        text = text.replace(r"\{take\}", "(?P<take>.+)")
        text = text.replace(r"\{track\}", r"(?P<track>\d{1,3}|[LR])")
        found = re.fullmatch(text, name, re.IGNORECASE)
        return (found["take"], _number(found["track"])) if found else None
    if side := _SIDE.fullmatch(name):
        return side["take"], _number(side["side"])
    if found := _TOKEN.fullmatch(name):
        before, after = found["before"].rstrip(_EDGES), found["after"].lstrip(_EDGES)
        return " ".join(part for part in (before, after) if part), int(found["number"])
    return None


def _number(text: str) -> int:
    return {"L": 1, "R": 2}[text.upper()] if text.upper() in "LR" else int(text)


def grouped(
    paths: Iterable[Path],
    rule_for: Callable[[Path], TrackSets],
    layout_of: Callable[[Path], Layout | None] | None = None,
    on_record: Callable[[Capture], bool] = lambda _: False,
) -> list[Capture]:
    """Captures made of some files of any folders; every file is in exactly one.

    Args:
        rule_for: the rule that holds for a file.
        layout_of: what a file's header says; None where it cannot be read. For tests.
        on_record: whether such a set was checked before. It stays one, though a single file is
            left of it, or one does not fit the others any more: else nobody would be told.
    """
    layout_of = layout_of or header
    alone: list[Path] = []
    sets: dict[tuple[Path, str, str], list[tuple[int, Path]]] = {}
    for path in paths:
        rule = rule_for(path)
        found = token(path.stem, rule.pattern) if rule.enabled else None
        if found is None:
            alone.append(path)
        else:
            key = (path.parent, found[0].casefold(), path.suffix.casefold())
            sets.setdefault(key, []).append((found[1], path))
    captures = [Capture.of_file(path) for path in alone]
    for (folder, take, _), members in sets.items():
        members.sort(key=lambda m: (m[0], os.fsencode(m[1].name)))
        files = [path for _, path in members]
        whole = Capture(
            name=_set_name(files[0], rule_for(files[0]).pattern),
            folder=folder,
            files=tuple(files),
            numbers=tuple(number for number, _ in members),
        )
        fits = len(files) > 1 and _plausible(take, [layout_of(path) for path in files])
        if fits or on_record(whole):
            captures.append(whole)
        else:
            captures += [Capture.of_file(path) for path in files]
    return sorted(captures, key=lambda c: os.fsencode(c.files[0]))


def header(path: Path) -> Layout | None:
    """What a file's header says, without walking through its audio."""
    try:
        with open_capture(path) as fd:
            return parse(FdSource(fd), deep=False)
    except (UnreadError, OSError):
        return None


def _plausible(take: str, layouts: Sequence[Layout | None]) -> bool:
    """Whether files that share a name are the tracks of one take.

    Files called only ``track 01``, ``track 02`` may as well be pieces one after the other: they
    are a set where at least two in three have one and the same length.
    """
    if any(layout is not None and layout.channels > 2 for layout in layouts):
        return False
    if take:
        return True
    lengths = Counter(layout.found_frames for layout in layouts if layout is not None)
    return bool(lengths) and 3 * max(lengths.values()) >= 2 * len(layouts)


def _set_name(first: Path, pattern: str | None) -> str:
    found = token(first.stem, pattern)
    return (found[0] if found else "") or first.parent.name or "take"


def row_numbers(numbers: Sequence[int], channels: Sequence[int]) -> list[int]:
    """The number on the sheet, from 1, of every track read, row by row.

    Args:
        numbers: of the files read, from 1; ``channels``: of each.

    A stereo file with number n holds the tracks 2n-1 and 2n when all files are stereo; else
    tracks are counted through.
    """
    if channels and all(count == 1 for count in channels):
        return list(numbers)
    if channels and all(count == 2 for count in channels):
        return [2 * n - 1 + side for n in numbers for side in (0, 1)]
    return list(range(1, sum(channels) + 1))


def tracks_in_rows(sheet: Sheet, numbers: Sequence[int]) -> tuple[TrackEntry, ...]:
    """The sheet's tracks in the order of the rows read; unnamed ones get their number."""
    return tuple(
        TrackEntry(name=sheet.track_name(number - 1), kind=sheet.track(number - 1).kind)
        for number in numbers
    )


def judge(
    capture: Capture, layouts: Sequence[tuple[Path, Layout]], *, channels: int | None
) -> list[Finding]:
    """What is wrong with a set as a set.

    Args:
        layouts: of every file that could be looked at.
        channels: how many tracks the sheet asks for.
    """
    if not capture.is_set:
        return []
    findings = _numbers(capture, _tracks_in(capture, layouts), channels)
    for equal in _EQUAL:
        told = [(path.name, equal.value_of(layout)) for path, layout in layouts]
        values = {name: value for name, value in told if value is not None}
        if len(set(values.values())) > 1:
            findings.append(_unequal(equal, values))
    return findings


def judge_lone(
    capture: Capture, number: int, layout: Layout, *, channels: int | None
) -> list[Finding]:
    """What is to be said of a file whose name makes it one track of several, and which is alone.

    Args:
        number: of the track, by the name.
        channels: how many tracks the sheet asks for.
    """
    if not 1 <= layout.channels <= 2:  # a capture of its own, or unknown
        return []
    if channels is not None:
        short = layout.channels < channels
        one = dataclasses.replace(capture, numbers=(number,))
        return _numbers(one, layout.channels, channels) if short else []
    return [
        Finding(
            check="tracks",
            kind="set-missing",
            verdict=Verdict.CLEAR,
            remedy=Remedy.NONE,
            text=f"By its name this is track {number} of several, and no other file of that name "
            "and kind is here: see that none was lost.",
            values={"number": number},
        )
    ]


@dataclass(frozen=True, slots=True)
class _Equal:
    """What is the same in all files of a set; ``value_of``: None where a file does not tell."""

    kind: str
    what: str
    unit: str
    value_of: Callable[[Layout], int | str | None]
    remedy: Remedy
    what_next: str


def _word_length(layout: Layout) -> str | None:
    return f"{layout.word_length} {layout.encoding.value}" if layout.word_length else None


_EQUAL: Final = (
    _Equal(
        "set-length",
        "lengths",
        "frames",
        lambda layout: layout.found_frames,
        Remedy.RECOPY,
        "Fetch those that are not whole again from where they were recorded",
    ),
    _Equal(
        "set-rate",
        "sampling rates",
        "Hz",
        lambda layout: layout.rate_hz or None,
        Remedy.REPLAY,
        "See whether all are of this take, and look for the files as they were recorded, before "
        "the tape is played again",
    ),
    _Equal(
        "set-word-length",
        "word lengths",
        "bit",
        _word_length,
        Remedy.REPLAY,
        "Look for the files as they were recorded before the tape is played again",
    ),
)


def _tracks_in(capture: Capture, layouts: Sequence[tuple[Path, Layout]]) -> int | None:
    """How many tracks the files hold together; None where one of them does not tell."""
    counts = [layout.channels for _, layout in layouts]
    return sum(counts) if len(counts) == len(capture.files) and all(counts) else None


def _unequal(equal: _Equal, values: dict[str, int | str]) -> Finding:

    def said(value: int | str) -> str:
        """A value with its unit: the length of words stands before their encoding."""
        number, _, encoding = str(value).partition(" ")
        return " ".join(filter(None, (number, equal.unit, encoding)))

    usual, count = Counter(values.values()).most_common(1)[0]
    others = {name: value for name, value in values.items() if value != usual}
    if count > len(others):
        name, value = next(iter(others.items()))
        more = f" and {len(others) - 1} more" if len(others) > 1 else ""
        told = f"{shown(name)} has {said(value)}{more}, the others {said(usual)}"
    else:
        told = ", ".join(f"{shown(name)} {said(value)}" for name, value in [*values.items()][:4])
    return Finding(
        check="tracks",
        kind=equal.kind,
        verdict=Verdict.REDO,
        remedy=equal.remedy,
        text=f"The files of this track set differ in their {equal.what}: {told}. "
        f"{equal.what_next}.",
        values={
            "usual": usual,
            "others": {shown(name): value for name, value in [*others.items()][:64]},
            "count": len(others),
        },
    )


def _numbers(capture: Capture, found: int | None, asked: int | None) -> list[Finding]:
    findings = []
    counts = Counter(capture.numbers)
    doubled = sorted(number for number, count in counts.items() if count > 1)
    if doubled:
        findings.append(
            Finding(
                check="tracks",
                kind="set-doubled",
                verdict=Verdict.REDO,
                remedy=Remedy.RECOPY,
                text="More than one file of this track set has the same track number "
                f"({', '.join(map(str, doubled))}): say which is right, and put the other aside.",
                values={"numbers": doubled},
            )
        )
    first = min(1, *counts)  # or counted from 0
    missing = sorted(set(range(first, max(counts) + 1)) - set(counts))
    short = asked is not None and found is not None and found < asked
    if missing or short:
        which = f"number {', '.join(map(str, missing[:16]))}" if missing else "by the sheet's count"
        findings.append(
            Finding(
                check="tracks",
                kind="set-missing",
                verdict=Verdict.REDO,
                remedy=Remedy.RECOPY,
                text=f"Files of this track set are missing: {which}. Look for them where it was "
                "recorded before the tape is played again.",
                values={"numbers": missing[:64], "tracks_found": found, "tracks_asked": asked},
            )
        )
    return findings
