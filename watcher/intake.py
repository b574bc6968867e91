"""From files on the storage to captures in the queue: the daemon's eyes.

Events are hints, scans are the truth; a capture is queued once it is settled, and again whenever it
changes afterwards. Everything here runs in the thread that owns the ledger; ``tick`` does a bounded
piece of work and returns.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from checks.container import Layout
from watcher import arrivals
from watcher import lease as leases
from watcher.arrivals import Arrivals
from watcher.candidates import Candidates
from watcher.files import shown
from watcher.growth import Growth
from watcher.ledger import CaptureRow, FileRow, Ledger, now
from watcher.listening import Listening, MakeSource
from watcher.logs import Log
from watcher.looking import Looking
from watcher.roots import instance_name
from watcher.scanning import Scanning
from watcher.settings import Settings, TrackSets
from watcher.settling import HELD_S
from watcher.tracksets import Capture, header, token
from watcher.troubles import Troubles, lasting
from watcher.watched import Watched

# First words of the keys of its troubles, each followed by a root; "held" by a capture.
_TOLD: Final = frozenset(
    {"root", "events", "unenrolled", "vanished", "unlisted", "links", "others", "elsewhere"}
    | {"leftovers", "held"}
)
_TICK_S: Final = 0.25  # of work in one tick: stopping and looking after workers must not wait
_LATE_S: Final = 1.0
_HINTS: Final = 2000  # taken in one tick
_CHUNK: Final = 200  # steps between two looks at the clock


@dataclass(frozen=True, slots=True, kw_only=True)
class TickReport:
    """What one tick did.

    Attributes:
        queued: captures (their numbers in the ledger) that are settled and now wait for a worker.
        reopened: captures that changed after they were queued, being checked or checked: a check
            of theirs that runs is of a former generation, its result is to be dropped.
        missing: captures now known to be gone.
        waiting: how many captures are not settled yet.
        scanning: a scan is going on.
        more: there is more to do at once.
    """

    queued: tuple[int, ...] = ()
    reopened: tuple[int, ...] = ()
    missing: tuple[int, ...] = ()
    waiting: int = 0
    scanning: bool = False
    more: bool = False


def capture_of(row: CaptureRow, files: Iterable[FileRow], rule: TrackSets) -> Capture:
    """A ledger row as what is checked."""
    paths = tuple(file.path for file in files)
    if not row.is_set:
        return Capture.of_file(paths[0])
    found = [token(path.stem, rule.pattern) for path in paths]
    return Capture(
        name=row.path.name.removesuffix(".set"),
        folder=row.path.parent,
        files=paths,
        numbers=tuple(one[1] if one else place + 1 for place, one in enumerate(found)),
    )


class Intake:
    """Watches the roots of a configuration.

    Args:
        monotonic: the clock that measures quiet.
        wall: the time of day as the ledger writes it.
        lease: tells whether a file is open for writing.
        layout_of: reads a file's header; None where it cannot be read.
        observer_factory: makes the source of hints for a root; None for scans only.
        watches: counts the folders that the kernel watches.
        log: where troubles are told beside the ledger.
    """

    def __init__(
        self,
        ledger: Ledger,
        settings: Settings,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        wall: Callable[[], str] = now,
        lease: Callable[[Path], leases.Lease] = leases.test,
        layout_of: Callable[[Path], Layout | None] = header,
        observer_factory: MakeSource | None = Arrivals,
        watches: Callable[[], int | None] = arrivals.watches,
        log: Log | None = None,
    ) -> None:
        self._ledger = ledger
        self._settings = settings
        self._clock = monotonic
        self._watches = watches
        self._troubles = Troubles(ledger, log or Log())
        self._growth = Growth(monotonic, poll_s=settings.poll_s)
        self._candidates = Candidates(
            ledger, settings, lease=lease, header_of=layout_of, grew=self._growth.seen, wall=wall
        )
        self._roots = [
            Watched(
                ledger,
                self._troubles,
                root,
                instance=instance_name(settings),
                wall=wall,
                listening=Listening(root, self._troubles, observer_factory),
                scanning=Scanning(
                    ledger,
                    self._troubles,
                    root,
                    quiet_s=settings.quiet_s,
                    give_up_s=settings.give_up_s,
                    every_s=settings.scan_every_s,
                    wall=wall,
                ),
            )
            for root in settings.roots
        ]
        self._looking = Looking(ledger, self._candidates, self._growth)
        # ticks come a second apart: so a check begins at most poll_s after the quiet period
        self._every_s = max(settings.poll_s - _LATE_S, settings.poll_s / 2)
        self._round: Iterator[None] | None = None
        self._round_at = float("-inf")
        self._missing: list[int] = []

    # -- for the daemon ----------------------------------------------------------------------

    def start(self) -> None:
        """Begin to watch: sources of hints first, then the scan at start. In the main thread."""
        leases.ignore_breaks()
        with self._ledger.commit():
            self._end_old_troubles()
            self._attend(self._clock())

    def stop(self) -> None:
        """End all threads of its own."""
        for root in self._roots:
            root.listening.stop()

    def rescan(self) -> None:
        """Scan all roots soon, and look at all that waits."""
        for root in self._roots:
            if root.present:
                self._looking.resume(root.place)
            root.scanning.want(self._clock(), at_once=True)

    def recording_on(self, volume_device: int) -> bool:
        """Whether a file on a volume (``st_dev``) grows, or grew within the last 60 s."""
        return self._growth.on(volume_device)

    def present(self, path: Path) -> bool:
        """Whether the root that a file is in is there this very moment.

        Where it is not, nothing that a check says about the file is to be believed.
        """
        for root in self._roots:
            if path.is_relative_to(root.place.path):
                return root.present and root.same_as_before() is not None
        return True

    def tick(self) -> TickReport:
        """A bounded piece of work; about once a second."""
        began = self._clock()
        with self._ledger.commit():  # one for all: each costs a write to the disk
            self._attend(began)
            for root in self._roots:
                if root.present:
                    self._looking.hints(root.place, root.listening.hints(_HINTS))
            while (more := self._work()) and self._clock() - began < _TICK_S:
                pass
            self._tell_held()
        events = self._candidates.take_events()
        missing, self._missing = self._missing, []
        return TickReport(
            queued=tuple(events.queued),
            reopened=tuple(events.reopened),
            missing=tuple(missing),
            waiting=len(self._candidates),
            scanning=any(root.scanning.running for root in self._roots),
            more=more,
        )

    # -- roots and hints ---------------------------------------------------------------------

    def _attend(self, at: float) -> None:
        for root in self._roots:
            change = root.attend(at)
            if change is not None:
                self._candidates.drop(root.place)
                self._looking.drop(root.place)
                self._growth.drop(root.place.path)
            if not root.present:
                continue
            if not root.on_network and root.listening.keep(at):
                root.scanning.want(at, at_once=True)
            if root.listening.overflowed():
                root.scanning.want(at)
            if change:
                self._looking.resume(root.place)

    # -- scans, folders, polling: whatever is to be done, a little of it -------------------------

    def _work(self) -> bool:
        """One small piece of what there is to do; False where there is nothing."""
        at = self._clock()
        if self._round is None and at - self._round_at >= self._every_s:
            self._round_at = at
            self._growth.look()
            self._round = self._candidates.poll(self._clock)
        if self._round is not None:
            for _ in range(_CHUNK):
                if next(self._round, self) is self:
                    self._round = None
                    break
            return True
        if self._looking.step(at):
            return True
        return any(self._scan(root, at) for root in self._roots)

    def _scan(self, root: Watched, at: float) -> bool:
        if not root.present or not self._looking.has_room or not root.scanning.begin(at):
            return False
        try:
            for _ in range(_CHUNK):
                found = root.scanning.step()
                if found is not None:
                    self._looking.differs(root.place, *found)
                    break
        except StopIteration:
            outcome, missing = root.scanning.conclude(root.same_as_before(), at)
            self._missing += missing
            if outcome is not None:
                root.scanned()
                self._growth.watch(outcome.leftovers)
                self._tell_coverage()
        return True

    # -- telling -----------------------------------------------------------------------------

    def _end_old_troubles(self) -> None:
        """End what concerns roots that are watched no more, and what will be told again."""
        names = tuple(f" {shown(root.place.path)}" for root in self._roots)
        for key in self._troubles.open:
            if key.split(" ")[0] in _TOLD and not key.endswith(names):
                self._troubles.end(key)

    def _tell_held(self) -> None:
        for path, held in self._candidates.take_held():
            key = f"held {shown(path)}"
            if held:
                self._troubles.begin(
                    key,
                    f"{shown(path)} has been open for writing for {HELD_S / 3600:.0f} hours "
                    "without growing, and is not checked: end the program that holds it, if it is "
                    "done.",
                )
            else:
                self._troubles.end(key)

    def _tell_coverage(self) -> None:
        """Whether the kernel watches every folder; it passes over those beyond its limit."""
        folders = sum(r.scanning.folders for r in self._roots if r.listening.alive)
        watched = self._watches()
        if watched is None or not folders or watched >= folders:
            self._troubles.end("watches")
            return
        self._troubles.begin(
            "watches",
            f"{folders - watched} of {folders} folders are covered by scans only, every "
            f"{lasting(self._settings.scan_every_s)}: raise fs.inotify.max_user_watches to at "
            f"least {2 * folders}.",
        )
