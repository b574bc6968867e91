"""What line-up tones explain in the findings of other checks.

A tone is switched on and off, so its ends look like lost samples; a capture that begins in a tone
was not cut into; one generator on all inputs makes tracks alike. Such findings become notes that
say so. Nothing is taken away, and nothing is excused that a tone does not explain: a step within a
tone, two tracks that share tape noise bit for bit, or zeros stay as they are.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Final

from checks.measures import LineupMeasures, ToneLine
from checks.model import Finding, Outcome, Remedy, Verdict

EDGE_S: Final = 0.05  # how well ends of tones are known
PARTED_S: Final = 0.2  # a shorter pause in one and the same tone is no switch
SAME_HZ: Final = 0.002
SAME_DB: Final = 0.7
PAUSE_S: Final = 3.0  # between tones of one line-up, at most (common practice: 1 to 2 s)
HEAD_S: Final = 180.0  # of a reel's head or tail (common practice: some tones of 10 to 30 s)
BARE_DB: Final = -85.0  # no tape has so little noise under a tone (common practice: -75)

_SWITCHED: Final = "A line-up tone is switched on or off here; that is no loss of samples."
_BEGINS: Final = "The capture begins in a line-up tone, not in music."
_ENDS: Final = "The capture ends in a line-up tone, not in music."
_ALIKE: Final = (
    "One line-up tone on several tracks: generated behind the tape, without any tape noise under "
    "it, so it says nothing about tape and heads."
)
_PAIR: Final = "A line-up tone is the same on all tracks; its delays are judged as azimuth."


def explained(
    outcomes: Mapping[str, Outcome], *, rate_hz: int, frames: int | None, declared: bool
) -> dict[str, Outcome]:
    """The outcomes, with findings that line-up tones explain turned into notes.

    Args:
        outcomes: by name of check; what ``lineup`` measured explains the others.
        frames: length of the capture, where it is known.
        declared: the sheet calls the capture a line-up.
    """
    measured = outcomes["lineup"].measures if "lineup" in outcomes else None
    if not isinstance(measured, LineupMeasures) or not measured.tones:
        return dict(outcomes)
    tones = _Tones(measured.tones, rate_hz, frames, declared=declared)
    return {
        name: outcome
        if name == "lineup"
        else dataclasses.replace(
            outcome, findings=tuple(_noted(f, tones.why(f)) for f in outcome.findings)
        )
        for name, outcome in outcomes.items()
    }


def _noted(finding: Finding, why: str | None) -> Finding:
    if why is None or finding.verdict is Verdict.CLEAR:
        return finding
    return dataclasses.replace(
        finding,
        verdict=Verdict.CLEAR,
        remedy=Remedy.NONE,
        text=why,
        values={**finding.values, "explained_by": "line-up tone"},
    )


class _Tones:
    """The tones of a capture, for questions about places in it."""

    def __init__(
        self, tones: tuple[ToneLine, ...], rate_hz: int, frames: int | None, *, declared: bool
    ) -> None:
        self._tones = tones
        self._rate_hz = rate_hz
        self._length_s = frames / rate_hz if frames else tones[-1].end_s
        sounding = sum(tone.end_s - tone.start_s for tone in tones)
        self._whole = declared or sounding >= 0.5 * self._length_s
        edges = [tones[0].start_s]
        for before, after in pairwise(tones):
            if not _parted(before, after):
                edges += [before.end_s, after.start_s]
        self._edges = [*edges, tones[-1].end_s]

    def why(self, finding: Finding) -> str | None:
        """The words of the note; None where no tone explains the finding."""
        if finding.start_frame is None or finding.frames is None:
            alike = finding.kind in ("same-signal", "delayed") and finding.check == "tracks"
            return _PAIR if alike and self._whole else None
        start_s = finding.start_frame / self._rate_hz
        stop_s = (finding.start_frame + finding.frames) / self._rate_hz
        match finding.check, finding.kind:
            case "dropouts", "step" if self._all_at_edges(finding, start_s, stop_s):
                return _SWITCHED
            case "dropouts", "cut-start" if self._tones[0].start_s <= EDGE_S:
                return _BEGINS
            case "dropouts", "cut-end" if self._tones[-1].end_s >= self._length_s - EDGE_S:
                return _ENDS
            case ("dropouts", "repeated-block") | ("tracks", "identical") if self._generated(
                start_s, stop_s, finding.tracks
            ):
                return _ALIKE
        return None

    def _all_at_edges(self, finding: Finding, start_s: float, stop_s: float) -> bool:
        """Whether each of the times that a finding tells of may be the end of a tone."""
        times = finding.values.get("times", 1)
        within = [e for e in self._edges if start_s - EDGE_S <= e <= stop_s + EDGE_S]
        return (
            isinstance(times, int)
            and times <= len(within)
            and _near(start_s, within)
            and _near(stop_s, within)
        )

    def _generated(self, start_s: float, stop_s: float, tracks: Iterable[int]) -> bool:
        """Whether the stretch is nothing but tones without noise, and pauses between them."""
        within = [
            tone
            for tone in self._tones
            if tone.end_s > start_s + EDGE_S and tone.start_s < stop_s - EDGE_S
        ]
        if not within or not all(_bare(tone, tracks) for tone in within):
            return False
        places = [start_s, *(s for t in within for s in (t.start_s, t.end_s)), stop_s]
        room = PAUSE_S if self._whole else EDGE_S
        pauses = [b - a for a, b in zip(places[::2], places[1::2], strict=True)]
        inner, ends = pauses[1:-1], (pauses[0], pauses[-1])
        at_an_end = start_s <= HEAD_S or stop_s >= self._length_s - HEAD_S
        return (
            (self._whole or at_an_end)
            and all(pause <= PAUSE_S for pause in inner)
            and all(pause <= room for pause in ends)
        )


def _parted(before: ToneLine, after: ToneLine) -> bool:
    """Whether two tones are one, parted by a disturbance."""
    if after.start_s - before.end_s > PARTED_S:
        return False
    if abs(after.frequency_hz / before.frequency_hz - 1) > SAME_HZ:
        return False
    pairs = [
        abs(a.level_dbfs - b.level_dbfs)
        for a, b in zip(before.tracks, after.tracks, strict=True)
        if a.level_dbfs is not None and b.level_dbfs is not None
    ]
    return not pairs or sorted(pairs)[len(pairs) // 2] <= SAME_DB


def _near(s: float, edges: Iterable[float]) -> bool:
    return any(abs(s - edge) <= EDGE_S for edge in edges)


def _bare(tone: ToneLine, tracks: Iterable[int]) -> bool:
    """Whether no tape noise lies under the tone on these tracks."""
    lines = [tone.tracks[k] for k in tracks if k < len(tone.tracks)]
    return all(
        line.level_dbfs is not None
        and (line.noise_dbfs is None or line.noise_dbfs - line.level_dbfs <= BARE_DB)
        for line in lines
    )
