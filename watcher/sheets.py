"""What applies to one capture: defaults, configuration, profiles, transfer sheets.

Built-in defaults, then ``reelvigil.yaml``, then its profiles that fit the capture (in order),
then each ``transfer.yaml`` from the root of the tree down to the capture's folder: the nearest
wins, key by key; lists are replaced whole.

Which ``transfer.yaml`` count: those of the capture's folder and of every folder above it up to
and including the root that contains it. A capture outside all roots: its folder, the folders
above it as far as the path that the command was given, and above that as long as each has one.
Links are resolved first, so that a folder has the same sheets whichever way it is reached.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

from checks.registry import Limits
from checks.sheet import Sheet
from config.merging import flat, merged, plain, sources
from config.tree import Map
from config.words import Mistake, escaped, listed
from watcher.errors import ConfigError
from watcher.globs import fits
from watcher.layers import bound_sheet, profile, read_tree, sheet_keys
from watcher.settings_tree import Settings, TrackSets

SHEET_NAME: Final = "transfer.yaml"
_CACHED: Final = 256  # folders, some 40 kB each; a walk goes folder by folder
_Identity = tuple[int, int, int, int]
_Present = tuple[str, _Identity]  # a sheet and its state
_Key = tuple[str, tuple[int, ...], tuple[_Present, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """What holds for one capture.

    Attributes:
        values: all keys as applied, nested, as JSON can hold them.
        sources: for each key (``expect.rate_hz``) where its value stands: ``transfer.yaml:3``
            (``../transfer.yaml:3`` one folder up), ``reelvigil.yaml:12``, ``default``.
        digest: SHA-256 of ``values`` as canonical JSON.
    """

    sheet: Sheet
    limits: Limits
    track_sets: TrackSets
    values: dict[str, Any]
    sources: dict[str, str]
    digest: str


class _Area(NamedTuple):
    """Where the sheets of one folder may stand, the outermost first.

    ``above`` counts from the inside out, as long as each has a sheet.
    """

    base: str
    sheets: tuple[str, ...]
    above: tuple[str, ...]


class Sheets:
    """Finds and applies the sheets of captures; reads a sheet again only when it has changed.

    Args:
        settings: the main configuration.
        top: the path that the command was given, for captures outside all roots (a file stands
            for its folder).
    """

    def __init__(self, settings: Settings, top: Path | None = None) -> None:
        self._settings = settings
        self._top = None if top is None else Path(os.path.realpath(top))
        self._areas: dict[str, _Area] = {}
        self._trees: dict[str, tuple[_Identity, Map | None, list[Mistake]]] = {}
        self._applied: dict[_Key, Applied | ConfigError] = {}
        self._good: dict[str, Applied] = {}

    def for_capture(self, path: Path) -> Applied:
        """What holds for a capture (for a track set: any of its files). It need not exist.

        Raises:
            ConfigError: with every mistake of every sheet that counts.
        """
        folder = os.path.realpath(path.parent)
        area = self._area(folder, path)
        key = (folder, self._fitting(folder, path.name, area), _present(area))
        found = self._applied.get(key)
        if found is None:
            if len(self._applied) >= _CACHED:
                self._applied.clear()
                self._trees.clear()
                self._areas.clear()
            found = self._applied[key] = self._make(*key)
        if isinstance(found, ConfigError):
            raise ConfigError(found.mistakes)
        if folder not in self._good and len(self._good) >= _CACHED:
            del self._good[next(iter(self._good))]
        self._good[folder] = found
        return found

    def last_good(self, path: Path) -> Applied | None:
        """What held last in the capture's folder before a sheet went wrong; None if unknown."""
        return self._good.get(os.path.realpath(path.parent))

    def _roots_of(self, path: Path) -> tuple[Path, ...]:
        """The roots that a capture may be in, links resolved.

        One that it is not in by its path is left alone: its storage may not answer.
        """
        roots = self._settings.roots
        own = [root for root in roots if path.is_relative_to(root)]
        return tuple(Path(os.path.realpath(root)) for root in own or roots)

    def _area(self, folder: str, path: Path) -> _Area:
        """Where sheets for a folder may stand. Found out once: thousands of captures share it."""
        area = self._areas.get(folder)
        if area is None:
            here = Path(folder)
            chain = (here, *here.parents)
            roots = self._roots_of(path)
            bases = (*roots, *([] if self._top is None else [self._top]))
            base = next((one for one in bases if one in chain), here)
            inside = chain.index(base) + 1
            names = tuple(str(one / SHEET_NAME) for one in chain)
            above = () if base in roots else names[inside:]
            area = self._areas[folder] = _Area(str(base), names[inside - 1 :: -1], above)
        return area

    def _fitting(self, folder: str, name: str, area: _Area) -> tuple[int, ...]:
        """Which profiles fit a capture, by their place in the list."""
        profiles = self._settings.profiles
        if not profiles:
            return ()
        whole = Path(folder, name).as_posix()
        inner = Path(folder, name).relative_to(area.base).as_posix()
        return tuple(i for i, one in enumerate(profiles) if fits(one.match, inner, whole))

    def _make(
        self, folder: str, fitting: tuple[int, ...], sheets: tuple[_Present, ...]
    ) -> Applied | ConfigError:
        written = self._settings.written
        layers = [profile(written, index) for index in fitting]
        mistakes: list[Mistake] = []
        for sheet, identity in sheets:
            tree, told = self._tree(sheet, identity)
            mistakes += told
            layers += [tree] if tree is not None else []
        whole = sheet_keys(written)
        bound, more = bound_sheet(whole)
        for layer in layers:  # one by one: a mistake is told though a nearer sheet hides it
            whole = merged(whole, layer)
            bound, more = bound_sheet(whole)
            mistakes += more
        if bound is None or mistakes:
            return ConfigError(listed(mistakes))
        values = plain(bound)
        canonical = json.dumps(values, sort_keys=True, separators=(",", ":"), allow_nan=False)
        names = {sheet: escaped(os.path.relpath(sheet, folder)) for sheet, _ in sheets}
        names[written.place.file] = escaped(os.path.basename(written.place.file))
        return Applied(
            sheet=Sheet(**{f.name: getattr(bound, f.name) for f in dataclasses.fields(Sheet)}),
            limits=bound.limits,
            track_sets=bound.track_sets,
            values=values,
            sources=sources(flat(values), whole, names),
            digest=hashlib.sha256(canonical.encode()).hexdigest(),
        )

    def _tree(self, sheet: str, identity: _Identity) -> tuple[Map | None, list[Mistake]]:
        known = self._trees.get(sheet)
        if known is None or known[0] != identity:
            known = self._trees[sheet] = (identity, *read_tree(Path(sheet), follow_links=False))
        return known[1], known[2]


def _present(area: _Area) -> tuple[_Present, ...]:
    """The sheets that are there now, the outermost first."""
    above: list[_Present] = []
    for name in area.above:
        identity = _identity(name)
        if identity is None:
            break
        above.insert(0, (name, identity))
    inside = ((name, i) for name in area.sheets if (i := _identity(name)) is not None)
    return (*above, *inside)


def _identity(path: str) -> _Identity | None:
    """What tells whether a sheet has changed; None where there is none."""
    try:
        now = os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError:
        return (0, 0, 0, 0)  # reading it will tell why
    return (now.st_mtime_ns, now.st_size, now.st_dev, now.st_ino)
