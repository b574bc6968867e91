"""Where single samples of a kind stand: an exact count, the first places, the tracks."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.model import Finding, Remedy, Value, Verdict, clock

LISTED: Final = 32  # places that are kept


class FirstPlaces:
    """Samples of one kind over a capture; ``last`` is the frame of the last one."""

    def __init__(self, tracks: int) -> None:
        self.counts = np.zeros(tracks, np.int64)
        self.first: list[tuple[int, int]] = []  # (frame, track)
        self.last = -1

    def add(self, where: NDArray[np.bool_], start: int) -> None:
        """Note the samples marked in (tracks, frames)."""
        counts = np.count_nonzero(where, axis=1)
        if not counts.any():
            return
        self.counts += counts
        frames, tracks = np.nonzero(where.T)
        room = LISTED - len(self.first)
        self.first += [
            (start + int(frame), int(track))
            for frame, track in zip(frames[:room], tracks[:room], strict=True)
        ]
        self.last = start + int(frames[-1])

    @property
    def tracks(self) -> tuple[int, ...]:
        return tuple(int(track) for track in np.nonzero(self.counts)[0])

    def values(self, rate_hz: int) -> dict[str, Value]:
        return {
            "count": int(self.counts.sum()),
            "listed": len(self.first),
            "places": [
                {"frame": frame, "at": clock(frame, rate_hz), "track": track + 1}
                for frame, track in self.first
            ],
        }


def placed(
    kind: str,
    verdict: Verdict,
    remedy: Remedy,
    text: str,
    places: FirstPlaces,
    values: dict[str, Value],
) -> Finding:
    """The finding of a check on the format that tells of them."""
    first = places.first[0][0]
    return Finding(
        check="format",
        kind=kind,
        verdict=verdict,
        remedy=remedy,
        tracks=places.tracks,
        start_frame=first,
        frames=places.last - first + 1,
        text=text,
        values=values,
    )
