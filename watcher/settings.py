"""Configuration files -> ``Settings``; ``watcher.sheets`` says what applies to one capture."""

from __future__ import annotations

import dataclasses
import functools
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from config.bind import bind
from config.merging import merged
from config.tree import Map, place_of
from config.words import Mistake, listed, number, quoted
from watcher.errors import ConfigError
from watcher.layers import SHORT, bound_sheet, profile, read_tree, sheet_keys
from watcher.report import sidecar_path
from watcher.settings_tree import Profile, Settings, SheetFile, TrackSets, WhileRecording
from watcher.sheets import SHEET_NAME, Applied, Sheets

__all__ = [
    "CONFIG_NAME",
    "SHEET_NAME",
    "Applied",
    "Profile",
    "Settings",
    "SheetFile",
    "Sheets",
    "TrackSets",
    "WhileRecording",
    "find_config",
    "load",
    "report_at",
]

CONFIG_NAME: Final = "reelvigil.yaml"


def find_config(given: Path | None = None) -> Path | None:
    """The configuration file that counts.

    The given one; else ``reelvigil.yaml`` in the current folder, the user's
    (``$XDG_CONFIG_HOME/reelvigil``, by default ``~/.config/reelvigil``), or ``/etc``; else None.
    """
    if given is not None:
        return given
    user = os.environ.get("XDG_CONFIG_HOME") or os.path.expanduser("~/.config")
    folders = (Path(), Path(user, "reelvigil"), Path("/etc"))
    return next((f / CONFIG_NAME for f in folders if os.path.lexists(f / CONFIG_NAME)), None)


def load(config_file: Path | None) -> Settings:
    """Read the main configuration; None gives the built-in defaults.

    Raises:
        ConfigError: with every mistake in the file.
    """
    if config_file is None:
        return Settings()
    tree, mistakes = read_tree(config_file, follow_links=True)
    if tree is None:
        raise ConfigError(listed(mistakes))
    settings, more = bind(Settings, tree, SHORT)
    mistakes += more
    if settings is not None:
        mistakes += _homeless(settings, tree)
        settings = _anchored(settings, config_file.absolute().parent)
        settings = dataclasses.replace(settings, written=tree)
        mistakes += _own_mistakes(settings)
        for index in range(len(settings.profiles)):
            mistakes += bound_sheet(merged(sheet_keys(tree), profile(tree, index)))[1]
        mistakes += bound_sheet(sheet_keys(tree))[1]
    if settings is None or mistakes:
        raise ConfigError(listed(mistakes))
    return settings


def report_at(settings: Settings, roots: Sequence[Path] | None = None) -> Callable[[Path], Path]:
    """Where the report of a capture stands, by its stem (see ``report.sidecar_path``).

    ``roots``: those of the settings, where a caller names captures in another way than they do.
    """
    top = next(iter(settings.roots if roots is None else roots), None)
    return functools.partial(sidecar_path, reports=settings.reports, top=top)


def _anchored(settings: Settings, folder: Path) -> Settings:
    """The settings with their paths absolute: relative ones count from the file's folder."""

    def absolute(path: Path) -> Path:
        return Path(os.path.abspath(folder / os.path.expanduser(path)))

    return dataclasses.replace(
        settings,
        roots=tuple(absolute(root) for root in settings.roots),
        reports=None if settings.reports is None else absolute(settings.reports),
        ledger=None if settings.ledger is None else absolute(settings.ledger),
    )


def _homeless(settings: Settings, tree: Map) -> list[Mistake]:
    """Paths that begin at the home of a user whom nobody knows here."""
    paths: list[tuple[tuple[str | int, ...], str, Path | None]] = [
        (("roots", i), f"roots[{i + 1}]", root) for i, root in enumerate(settings.roots)
    ]
    paths += [(("reports",), "reports", settings.reports), (("ledger",), "ledger", settings.ledger)]
    return [
        Mistake(
            place_of(tree, at),
            key,
            f"there is no user whose home is {quoted(path.parts[0])}; write the path out",
        )
        for at, key, path in paths
        if path is not None and os.path.expanduser(path).startswith("~")
    ]


def _own_mistakes(settings: Settings) -> list[Mistake]:
    """What no single key can show: roots inside one another, times that contradict."""
    tree = settings.written
    mistakes: list[Mistake] = []
    for index, root in enumerate(settings.roots):
        for other in settings.roots[:index]:
            if root.is_relative_to(other) or other.is_relative_to(root):
                text = (
                    f"lies inside, holds or repeats {quoted(str(other))}; name the outer one only"
                )
                place = place_of(tree, ("roots", index))
                mistakes.append(Mistake(place, f"roots[{index + 1}]", text))
    if settings.give_up_s < settings.quiet_s:
        given = "give_up_s" if "give_up_s" in tree.entries else "quiet_s"
        text = (
            f"give_up_s ({number(settings.give_up_s)} s) must not be below "
            f"quiet_s ({number(settings.quiet_s)} s)"
        )
        mistakes.append(Mistake(place_of(tree, (given,)), given, text))
    return mistakes
