"""All checks in report order, and the limits of each. Adding a check: its module, a Limits
field, a line in CHECKS.

``container`` and ``checksum`` look at bytes and have no place in CHECKS: they are fed by the
walk over the container and by the reader. The others look at samples, block by block.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from checks.clipping import ClippingLimits, ClippingPass
from checks.container import ContainerLimits
from checks.dropouts import DropoutsLimits, DropoutsPass, JointsHalf, LevelsHalf, judged
from checks.format import FormatLimits, FormatPass
from checks.lineup import LineupLimits, LineupPass
from checks.model import CaptureFormat, CheckPass, Outcome
from checks.sheet import Sheet
from checks.tracks import TracksLimits, TracksPass
from checks.ultrasonic import UltrasonicLimits, UltrasonicPass


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The limits of every check, each a frozen dataclass beside its check.

    ``checksum`` has none: a digest agrees or it does not.
    """

    container: ContainerLimits = field(default_factory=ContainerLimits)
    format: FormatLimits = field(default_factory=FormatLimits)
    clipping: ClippingLimits = field(default_factory=ClippingLimits)
    dropouts: DropoutsLimits = field(default_factory=DropoutsLimits)
    tracks: TracksLimits = field(default_factory=TracksLimits)
    ultrasonic: UltrasonicLimits = field(default_factory=UltrasonicLimits)
    lineup: LineupLimits = field(default_factory=LineupLimits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What a check is told about the capture before the first block."""

    fmt: CaptureFormat
    sheet: Sheet = field(default_factory=Sheet)
    limits: Limits = field(default_factory=Limits)
    container: str | None = None  # kind of container, for what the sheet asks of it
    ending: str = ""  # of the file's name, which may say otherwise


@dataclass(frozen=True, slots=True)
class Check:
    """A check by its name.

    Attributes:
        halves: where it can be done by two that meet at the end only: how each starts, and
            ``joined`` makes the outcome of what they found. The first is by far the dearer.
    """

    name: str
    start: Callable[[Context], CheckPass]
    halves: tuple[Callable[[Context], CheckPass], Callable[[Context], CheckPass]] | None = None
    joined: Callable[[Sequence[Outcome], Context], Outcome] | None = None


CHECKS: Final[tuple[Check, ...]] = (
    Check("format", lambda c: FormatPass(c.fmt, c.sheet, c.limits.format, c.container, c.ending)),
    Check("clipping", lambda c: ClippingPass(c.fmt, c.sheet, c.limits.clipping)),
    Check(
        "dropouts",
        lambda c: DropoutsPass(c.fmt, c.sheet, c.limits.dropouts),
        halves=(
            lambda c: JointsHalf(c.fmt, c.sheet, c.limits.dropouts),
            lambda c: LevelsHalf(c.fmt, c.sheet, c.limits.dropouts),
        ),
        joined=lambda halves, c: judged(halves, c.fmt),
    ),
    Check("tracks", lambda c: TracksPass(c.fmt, c.sheet, c.limits.tracks)),
    Check("ultrasonic", lambda c: UltrasonicPass(c.fmt, c.sheet, c.limits.ultrasonic)),
    Check("lineup", lambda c: LineupPass(c.fmt, c.sheet, c.limits.lineup)),
)
ORDER: Final = (
    "container",
    "format",
    "clipping",
    "dropouts",
    "tracks",
    "ultrasonic",
    "lineup",
    "checksum",
)
