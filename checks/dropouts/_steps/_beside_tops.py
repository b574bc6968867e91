"""Jumps where the tops of some tracks are cut off: their corners jump, others by themselves."""

from __future__ import annotations

from collections.abc import Mapping, Set

from checks.dropouts._junction import Junction
from checks.dropouts._steps._one_source import one_source
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._put_in import TRACKS


def witnesses(
    place: Place,
    tracks: tuple[int, ...],
    found: Mapping[int, Junction],
    flat: Set[int],
    *,
    least: float,
) -> tuple[int, ...]:
    """The tracks that jump, the strongest first, and not at a corner of a top; none where none do.

    Two others must jump by themselves, or one by ``least`` standard deviations; and where a track
    with tops jumps at their very sample, that is no corner: none lies there by chance.

    Args:
        found: what the strongest of the tracks look like; ``flat``: those with tops.
    """
    rest = [t for t in tracks if t not in flat]
    heights = [found[t].jump for t in rest if t in found]
    if len(rest) < 2 and max(heights, default=0.0) < least:
        return ()
    corner = any(place.corner(t, place.peak) for t in flat)
    if corner and one_source([place.steps[t] for t in [*flat, *rest][:TRACKS]], place.peak):
        return ()  # which leaks
    frames = {found[t].frame for t in rest if t in found}
    return tuple(t for t in tracks if t in rest or (t in found and found[t].frame in frames))
