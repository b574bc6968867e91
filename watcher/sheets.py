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
from typing import Any, Final

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
_CACHED: Final = 4096  # folders; common practice: more than one night's captures lie in
_Identity = tuple[int, int, int, int]
_Key = tuple[Path, tuple[int, ...], tuple[tuple[Path, _Identity], ...]]


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


class Sheets:
    """Finds and applies the sheets of captures; reads a sheet again only when it has changed.

    Args:
        settings: the main configuration.
        top: the path that the command was given, for captures outside all roots.
    """

    def __init__(self, settings: Settings, top: Path | None = None) -> None:
        self._settings = settings
        self._roots = tuple(Path(os.path.realpath(root)) for root in settings.roots)
        self._top = None if top is None else Path(os.path.realpath(top))
        if self._top is not None and not self._top.is_dir():
            self._top = self._top.parent
        self._trees: dict[Path, tuple[_Identity, Map | None, list[Mistake]]] = {}
        self._applied: dict[_Key, Applied | ConfigError] = {}
        self._good: dict[Path, Applied] = {}

    def for_capture(self, path: Path) -> Applied:
        """What holds for a capture (for a track set: any of its files). It need not exist.

        Raises:
            ConfigError: with every mistake of every sheet that counts.
        """
        folder = Path(os.path.realpath(path.parent))
        sheets = self._sheets(folder)
        key = (folder, self._fitting(folder / path.name), sheets)
        found = self._applied.get(key)
        if found is None:
            if len(self._applied) >= _CACHED:
                self._applied.clear()
                self._trees.clear()
            found = self._applied[key] = self._make(*key)
        if isinstance(found, ConfigError):
            raise ConfigError(found.mistakes)
        self._good[folder] = found
        return found

    def last_good(self, path: Path) -> Applied | None:
        """What held for the capture's folder before a sheet went wrong; None if never seen."""
        return self._good.get(Path(os.path.realpath(path.parent)))

    def folders(self, folder: Path) -> tuple[Path, ...]:
        """The folders whose sheets count for captures in ``folder``, the outermost first.

        Args:
            folder: with links resolved.
        """
        base = self._base(folder)
        rooted = base in self._roots
        chain = [folder]
        for parent in folder.parents:
            inside = base is not None and parent.is_relative_to(base)
            if not inside and (rooted or not os.path.lexists(parent / SHEET_NAME)):
                break
            chain.append(parent)
        return tuple(reversed(chain))

    def _base(self, folder: Path) -> Path | None:
        """The root that contains a folder, else the path given, if that does."""
        bases = (*self._roots, *([] if self._top is None else [self._top]))
        return next((base for base in bases if folder.is_relative_to(base)), None)

    def _sheets(self, folder: Path) -> tuple[tuple[Path, _Identity], ...]:
        names = (parent / SHEET_NAME for parent in self.folders(folder))
        return tuple((name, i) for name in names if (i := _identity(name)) is not None)

    def _fitting(self, path: Path) -> tuple[int, ...]:
        inner = path.relative_to(self._base(path.parent) or path.parent).as_posix()
        profiles = enumerate(self._settings.profiles)
        return tuple(i for i, one in profiles if fits(one.match, inner, path.as_posix()))

    def _make(
        self,
        folder: Path,
        fitting: tuple[int, ...],
        sheets: tuple[tuple[Path, _Identity], ...],
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
        names = {str(sheet): escaped(os.path.relpath(sheet, folder)) for sheet, _ in sheets}
        names[written.place.file] = escaped(os.path.basename(written.place.file))
        return Applied(
            sheet=Sheet(**{f.name: getattr(bound, f.name) for f in dataclasses.fields(Sheet)}),
            limits=bound.limits,
            track_sets=bound.track_sets,
            values=values,
            sources=sources(flat(values), whole, names),
            digest=hashlib.sha256(canonical.encode()).hexdigest(),
        )

    def _tree(self, sheet: Path, identity: _Identity) -> tuple[Map | None, list[Mistake]]:
        known = self._trees.get(sheet)
        if known is None or known[0] != identity:
            known = self._trees[sheet] = (identity, *read_tree(sheet, follow_links=False))
        return known[1], known[2]


def _identity(path: Path) -> _Identity | None:
    """What tells whether a sheet has changed; None where there is none."""
    try:
        now = os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError:
        return (0, 0, 0, 0)  # reading it will tell why
    return (now.st_mtime_ns, now.st_size, now.st_dev, now.st_ino)
