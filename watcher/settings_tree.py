"""Every key of ``reelvigil.yaml`` and ``transfer.yaml``; reasons in ``config/default.yaml``."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Annotated

from annotated_types import Ge, Gt, Le

from checks.registry import Limits
from checks.sheet import Sheet
from config.hints import Form
from config.tree import Map

CLOCK = Form("a time of day, 00:00 to 23:59", r"(?:[01][0-9]|2[0-3]):[0-5][0-9]")
PATTERN = Form(
    "a file name without its ending, with {take} and {track} once each, like '{take}_{track}'",
    r"(?:[^{}/]*\{take\}[^{}/]+\{track\}[^{}/]*|[^{}/]*\{track\}[^{}/]+\{take\}[^{}/]*)",
)
GLOB = Form("a glob of a capture's path, like 'lineup/**'", r"[^\0]+")
WORD = Form("one line of text, at most 200 characters", r"[^\0-\x1f\x7f]{1,200}")


class WhileRecording(StrEnum):
    """What the checks do while a recording grows on the same volume."""

    WAIT = "wait"
    SLOW = "slow"
    RUN = "run"


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackSets:
    """Which files are the tracks of one take.

    Attributes:
        enabled: whether files are put together at all.
        pattern: how the names of such files are made up; None for the built-in rule.
    """

    enabled: bool = True
    pattern: Annotated[str, PATTERN] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFile(Sheet):
    """What a ``transfer.yaml`` may hold; a profile and the main file hold it too."""

    track_sets: TrackSets = field(default_factory=TrackSets)
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile(SheetFile):
    """What holds for the captures whose path fits ``match``."""

    match: Annotated[str, GLOB]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(SheetFile):
    """The whole of ``reelvigil.yaml``.

    Attributes:
        roots, reports, ledger: absolute once loaded.
        written: the file's own text as a tree, for merging; no key.
    """

    roots: tuple[Path, ...] = ()
    instance: Annotated[str, WORD] | None = None
    quiet_s: Annotated[float, Ge(1), Le(86_400)] = 120.0
    give_up_s: Annotated[float, Ge(1), Le(604_800)] = 1800.0
    poll_s: Annotated[float, Ge(0.1), Le(3600)] = 5.0
    scan_every_s: Annotated[float, Ge(1), Le(86_400)] = 900.0
    reports: Path | None = None
    ledger: Path | None = None
    workers: Annotated[int, Ge(1), Le(64)] = 1
    while_recording: WhileRecording = WhileRecording.WAIT
    read_limit_mb_s: Annotated[float, Gt(0), Le(100_000)] | None = 100.0
    memory_mb: Annotated[int, Ge(512), Le(1_000_000)] = 2048
    summary_at: Annotated[str, CLOCK] = "07:00"
    on_summary: tuple[str, ...] = ()
    on_redo: tuple[str, ...] = ()
    verify_every_days: Annotated[float, Gt(0), Le(36_500)] | None = 90.0
    verify_limit_mb_s: Annotated[float, Gt(0), Le(100_000)] | None = 50.0
    profiles: tuple[Profile, ...] = ()
    written: Map = field(default_factory=Map, metadata={"key": False}, repr=False, compare=False)
