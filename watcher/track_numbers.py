"""Track numbers of the sheet that a capture does not have: known only once the capture is.

That the sheet names or asks for more tracks than there are, the format check tells.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from checks.model import Finding, Outcome, Remedy, Verdict
from checks.sheet import ReelKind, Sheet


def beyond(
    outcome: Outcome, sheet: Sheet, sources: Mapping[str, str], channels: int
) -> Iterator[Finding]:
    """A finding for each key that speaks of a track that is not there.

    Args:
        outcome: of the format check; what it tells of the same tracks is not told twice.
        sources: where each value stands.
        channels: how many tracks there are. (A set that lacks some is told by its files.)
    """
    named = [f.values.get("expected") for f in outcome.findings if f.kind == "channels"]
    known = max([channels, *(count for count in named if isinstance(count, int))])
    asked = {"same": [track for group in sheet.same for track in group]}
    if sheet.reel.kind is ReelKind.LINEUP:  # elsewhere nothing is held against that track
        asked["lineup.reference_track"] = [sheet.lineup.reference_track]
    there = "is 1 track" if channels == 1 else f"are {channels} tracks"
    for key, tracks in asked.items():
        highest = max(tracks, default=0)
        if highest > known and key in sources:
            yield Finding(
                check="format",
                kind="channels",
                verdict=Verdict.REDO,
                remedy=Remedy.MEND,
                text=f"There {there}, the sheet speaks of track {highest} ({key}, {sources[key]}): "
                "put the sheet right, or, if a track is missing, play the tape again with all.",
                values={"channels": channels, "expected": highest},
            )
