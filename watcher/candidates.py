"""Captures that are not settled: looked at again and again until they are.

Only these are polled; what is settled is met again by events and scans alone. Files whose names
make them tracks of one take are kept together and grouped anew when one joins, leaves, or shows
its header.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final

from checks.container import Layout
from watcher import settling
from watcher.booking import Booked, book, same_as_known
from watcher.errors import ConfigError
from watcher.fellows import Fellows, TakeKey, key_of
from watcher.files import Stamp
from watcher.gone import on_record
from watcher.lease import Lease
from watcher.ledger import Ledger, State
from watcher.ledger import now as wall_time
from watcher.settings import Applied, Settings, Sheets, TrackSets, report_at
from watcher.settling import Answer, Asked, Sighting
from watcher.tracksets import Capture, grouped

_NEVER: Final = float("-inf")
# A file first seen so soon after it was written may be a recording that has just begun: checks
# give way to it until it is known to stand still. As long as they wait after growth.
_FRESH_S: Final = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A root, as far as its captures need it."""

    id: int
    path: Path


@dataclass(slots=True)
class _Waiting:
    capture: Capture
    row: int
    why: str | None


@dataclass(slots=True)
class _Unit:
    """The files of one key, and the captures they make."""

    place: Place
    key: TakeKey
    joined: float
    seen: dict[Path, Sighting] = field(default_factory=dict)
    waiting: list[_Waiting] = field(default_factory=list)
    grouped_as: tuple[tuple[Path, Stamp], ...] = ()


@dataclass(slots=True)
class Events:
    """What happened to captures since these were last taken."""

    queued: list[int] = field(default_factory=list)
    reopened: list[int] = field(default_factory=list)


class Candidates:
    """All captures that are not settled.

    Args:
        grew: told the volume (``st_dev``) on which a file was seen to grow.
    """

    def __init__(
        self,
        ledger: Ledger,
        settings: Settings,
        *,
        lease: Callable[[Path], Lease],
        header_of: Callable[[Path], Layout | None],
        grew: Callable[[int], None],
        wall: Callable[[], str] = wall_time,
    ) -> None:
        self._ledger = ledger
        self._settings = settings
        self._report_at = report_at(settings)
        self._sheets = Sheets(settings)
        self._lease = lease
        self._header_of = header_of
        self._grew = grew
        self._wall = wall
        self._units: dict[TakeKey, _Unit] = {}
        self._events = Events()
        self._held: dict[Path, bool] = {}

    def __len__(self) -> int:
        """Captures that wait."""
        return sum(len(unit.waiting) for unit in self._units.values())

    @property
    def units(self) -> int:
        return len(self._units)

    def take_events(self) -> Events:
        """What happened since this was last asked."""
        events, self._events = self._events, Events()
        return events

    def take_held(self) -> list[tuple[Path, bool]]:
        """Captures that somebody has held open for very long, and those that no longer are."""
        told = list(self._held.items())
        self._held = {path: held for path, held in told if held}
        return told

    # -- taking in ---------------------------------------------------------------------------

    def consider(
        self,
        place: Place,
        folder: Path,
        names: Iterable[str],
        *,
        now: float,
        listed: Sequence[str] | None = None,
    ) -> None:
        """Look at files that are new, or not as the ledger has them.

        Args:
            names: of the files, in one folder.
            listed: names of all captures in it, where they are known already.
        """
        others = Fellows(folder, listed)
        today_s = datetime.fromisoformat(self._wall()).timestamp()
        touched: dict[TakeKey, _Unit] = {}
        for name in names:
            path = folder / name
            rule = self._rule(path)
            key = key_of(path, rule)
            unit = self._units.get(key)
            if unit is not None and path in unit.seen:
                continue
            stamp = _look(path)
            if stamp is None:
                continue
            if unit is None:
                unit = self._units[key] = _Unit(place, key, now)
            unit.seen[path] = Sighting(stamp, now)
            unit.joined = now
            if abs(today_s - stamp.mtime_ns / 1e9) < _FRESH_S:
                self._grew(stamp.device)
            touched[key] = unit
            if key.suffix is not None:
                for other in others.of(key, rule):
                    self._add_fellow(unit, folder / other, now)
        left: list[Path] = []
        # New names first: a take that was put aside must take its history along before the one
        # that was recorded under its old name is booked.
        for unit in sorted(touched.values(), key=self._is_known):
            left += self._group(unit)
        for path in left:  # was of one row with some of these, and is of none of theirs
            self.consider(place, path.parent, [path.name], now=now)

    def _is_known(self, unit: _Unit) -> bool:
        return any(self._ledger.capture_of_file(path) is not None for path in unit.seen)

    def _add_fellow(self, unit: _Unit, path: Path, now: float) -> None:
        """Another file of the same take: quiet where it is as the ledger has it."""
        if path in unit.seen or (stamp := _look(path)) is None:
            return
        row = self._ledger.capture_of_file(path)
        known = None if row is None or row.state is State.WAITING else row.id
        files = self._ledger.files(known) if known is not None else []
        as_known = any(
            (file.path, file.identity.inode, file.identity.size, file.identity.mtime_ns)
            == (path, *stamp[1:4])
            for file in files
        )
        unit.seen[path] = Sighting(stamp, _NEVER if as_known else now)

    def to_resume(self, place: Place) -> Iterator[tuple[Path, list[str]]]:
        """Files, by folder, that the ledger has waiting in a root and nobody looks at."""
        looked_at = {one.row for unit in self._units.values() for one in unit.waiting}
        for row in list(self._ledger.in_state(State.WAITING)):
            if row.root == place.id and row.id not in looked_at:
                files = self._ledger.files(row.id)
                if files:
                    yield files[0].path.parent, [file.path.name for file in files]

    def drop(self, place: Place) -> None:
        """Look at nothing below a root any more; the ledger keeps it waiting."""
        self._units = {k: unit for k, unit in self._units.items() if unit.place.id != place.id}

    # -- grouping ----------------------------------------------------------------------------

    def _group(self, unit: _Unit) -> list[Path]:
        """Make captures of the files of a unit, and put those that wait into the ledger."""
        unit.grouped_as = _state(unit)
        former = {(w.capture.name, w.capture.files): w for w in unit.waiting}
        unit.waiting = []
        left: list[Path] = []
        captures = [Capture.of_file(path) for path in unit.seen]
        if unit.key.suffix is not None:
            captures = grouped(
                unit.seen,
                self._rule,
                lambda p: unit.seen[p].header(p, self._header_of),
                self._on_record,
            )
        for capture in captures:
            kept = former.get((capture.name, capture.files))
            if kept is not None:
                unit.waiting.append(kept)
                continue
            quiet = all(unit.seen[path].since == _NEVER for path in capture.files)
            if quiet and same_as_known(self._ledger, capture) is not None:
                continue
            booked = self._book(unit, capture, State.WAITING, settling.CHANGING)
            left += booked.left
            if not booked.known:
                unit.waiting.append(_Waiting(capture, booked.row.id, settling.CHANGING))
        if not unit.waiting:
            self._units.pop(unit.key, None)
        return [path for path in left if path not in unit.seen]

    def _on_record(self, capture: Capture) -> bool:
        """Whether files were checked as a set: by the ledger, or by a report on disk."""
        owners = (self._ledger.capture_of_file(path) for path in capture.files)
        if any(row is not None and row.is_set and row.checked_at is not None for row in owners):
            return True
        return on_record(capture, lambda one: self._report_at(one.report_stem))

    def _book(self, unit: _Unit, capture: Capture, state: State, why: str | None) -> Booked:
        booked = book(
            self._ledger,
            unit.place.id,
            capture,
            {path: sighting.stamp for path, sighting in unit.seen.items()},
            state=state,
            why=why,
            report_at=self._report_at,
        )
        if booked.reopened:
            self._events.reopened.append(booked.row.id)
        return booked

    # -- polling -----------------------------------------------------------------------------

    def poll(self, clock: Callable[[], float]) -> Iterator[None]:
        """Look at every unit once; stops between any two."""
        for key in list(self._units):
            unit = self._units.get(key)
            if unit is not None:
                self._poll(unit, clock())
                yield

    def _poll(self, unit: _Unit, now: float) -> None:
        vanished = []
        for path, sighting in unit.seen.items():
            stamp = _look(path)
            if stamp is None:
                vanished.append(path)
                continue
            before = sighting.stamp
            if sighting.again(stamp, now) and before[2:4] != stamp[2:4]:  # size, time
                self._grew(stamp.device)
        for path in vanished:
            del unit.seen[path]
        if not unit.seen:  # nothing is called missing here: the scans find that out
            self._units.pop(unit.key, None)
            return
        quiet = all(now - s.since >= self._settings.quiet_s for s in unit.seen.values())
        tracks = unit.key.suffix is not None
        if vanished or (tracks and quiet and unit.grouped_as != _state(unit)):
            for path in self._group(unit):
                self.consider(unit.place, path.parent, [path.name], now=now)
        for one in list(unit.waiting):
            self._ask(unit, one, now)
        if not unit.waiting:
            self._units.pop(unit.key, None)

    def _ask(self, unit: _Unit, one: _Waiting, now: float) -> None:
        """Queue one capture if it is settled; else note what it waits for."""
        last = max(unit.seen[path].since for path in one.capture.files)
        if one.why == settling.CHANGING and now - last < self._settings.quiet_s:
            return  # by far the most usual answer, and known already
        tracks = unit.key.suffix is not None
        found = settling.answer(
            one.capture,
            unit.seen,
            Asked(
                quiet_s=self._settings.quiet_s,
                give_up_s=self._settings.give_up_s,
                channels=self._channels(one.capture.files[0]) if tracks else None,
                joined=unit.joined if tracks else None,
            ),
            now=now,
            header_of=self._header_of,
            lease=self._lease,
        )
        self._note_held(one, found)
        if found.settled:
            why = None if found.why is None else f"checked as it is: {found.why}"
            booked = self._book(unit, one.capture, State.QUEUED, why)
            if booked.row.state is State.QUEUED:
                self._events.queued.append(booked.row.id)
            unit.waiting.remove(one)
        elif found.why != one.why:
            one.why = found.why
            self._ledger.change("UPDATE captures SET why = ? WHERE id = ?", (found.why, one.row))

    def _note_held(self, one: _Waiting, found: Answer) -> None:
        held = found.why is settling.OPEN and found.still_s >= settling.HELD_S
        if held or self._held:
            path = one.capture.report_stem
            if held or path in self._held:
                self._held[path] = held

    # -- what applies ------------------------------------------------------------------------

    def _applied(self, path: Path) -> Applied | None:
        try:
            return self._sheets.for_capture(path)
        except ConfigError:  # told when the capture is to be checked
            return self._sheets.last_good(path)

    def _rule(self, path: Path) -> TrackSets:
        applied = self._applied(path)
        return self._settings.track_sets if applied is None else applied.track_sets

    def _channels(self, path: Path) -> int | None:
        applied = self._applied(path)
        return None if applied is None else applied.sheet.tracks_asked


def _look(path: Path) -> Stamp | None:
    """A file's state; None where there is no regular file, or none to be seen."""
    try:
        st = os.lstat(path)
    except OSError:
        return None
    return Stamp.of(st) if stat.S_ISREG(st.st_mode) else None


def _state(unit: _Unit) -> tuple[tuple[Path, Stamp], ...]:
    return tuple((path, sighting.stamp) for path, sighting in unit.seen.items())
