"""What line-up tones explain in the findings of other checks.

A tone is switched on and off, so its ends look like lost samples; a capture that begins in a tone
was not cut into; one generator on all inputs makes tracks alike. Such findings become notes that
say so. Nothing is taken away, and nothing is excused that a tone does not explain: a step within a
tone or on a track without it, a fault that no switch can be (a wrong sample, tracks that change
places), two tracks that share tape noise bit for bit, or zeros stay as they are.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from itertools import pairwise
from math import inf
from typing import Final, NamedTuple

from checks.measures import LineupMeasures, ToneLine
from checks.model import Finding, Outcome, Remedy, Verdict

EDGE_S: Final = 0.05  # how well ends of tones are known
JOINED_S: Final = 0.002  # a shorter pause is no pause; own trials: ends are known to 1 ms mostly
PARTED_S: Final = 0.2  # a shorter pause in one and the same tone is no switch
SAME_HZ: Final = 0.002
SAME_DB: Final = 0.7
PAUSE_S: Final = 3.0  # between tones of one line-up, at most (common practice: 1 to 2 s)
HEAD_S: Final = 180.0  # of a reel's head or tail (common practice: some tones of 10 to 30 s)
ALIKE_US: Final = 1_000.0  # heads and generators delay by less; own choice
CAUSES: Final = ("unproven", "cut", "lost")  # of a step, that a switch may look like
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
        self._declared = declared
        self._whole = declared or sounding >= 0.5 * self._length_s
        self._edges = _edges(tones)

    def why(self, finding: Finding) -> str | None:
        """The words of the note; None where no tone explains the finding."""
        if finding.start_frame is None or finding.frames is None:
            return _PAIR if self._declared and _alike(finding) else None
        start_s = finding.start_frame / self._rate_hz
        stop_s = (finding.start_frame + finding.frames) / self._rate_hz
        first, last = self._tones[0], self._tones[-1]
        match finding.check, finding.kind:
            case "dropouts", "step" if self._switched(finding):
                return _SWITCHED
            case "dropouts", "cut-start" if (
                first.start_s <= EDGE_S
                and (self._nothing_else() or _go_on(*self._tones[:2]))
                and _on(first, finding.tracks)
            ):
                return _BEGINS
            case "dropouts", "cut-end" if (
                last.end_s >= self._length_s - EDGE_S
                and (self._nothing_else() or _go_on(*self._tones[-2:]))
                and _on(last, finding.tracks)
            ):
                return _ENDS
            case ("dropouts", "repeated-block") | ("tracks", "identical") if self._generated(
                start_s, stop_s, finding.tracks
            ):
                return _ALIKE
        return None

    def _nothing_else(self) -> bool:
        """Whether the capture is a line-up: by the sheet, or tones and pauses from end to end."""
        ends = [0.0, *(s for t in self._tones for s in (t.start_s, t.end_s)), self._length_s]
        pauses = zip(ends[::2], ends[1::2], strict=True)
        return self._declared or (self._whole and all(b - a <= PAUSE_S for a, b in pauses))

    def _switched(self, finding: Finding) -> bool:
        """Whether each place that a finding tells of may be a switch of its own, on its tracks."""
        if finding.values.get("cause") not in CAUSES:
            return False
        free = [e for e in self._edges if set(finding.tracks) <= e.tracks]
        for s in self._places(finding):
            at = next((e for e in free if e.first_s - EDGE_S <= s <= e.last_s + EDGE_S), None)
            if at is None:
                return False
            free.remove(at)
        return True

    def _places(self, finding: Finding) -> list[float]:
        """Where each time is that a finding tells of; infinitely far where not all are known."""
        known = [frame / self._rate_hz for frame in finding.starts]
        return sorted(known) if len(known) == finding.values.get("times", 1) else [inf]

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


class _Edge(NamedTuple):
    """One change of tones, where it lies and on which tracks."""

    first_s: float
    last_s: float
    tracks: set[int]


def _edges(tones: tuple[ToneLine, ...]) -> list[_Edge]:
    """A change for each end of a tone; one where a tone follows another without a pause."""
    found = [_Edge(tones[0].start_s, tones[0].start_s, _carrying(tones[0]))]
    for before, after in pairwise(tones):
        if _parted(before, after):
            continue
        end, start, tracks, later = before.end_s, after.start_s, _carrying(before), _carrying(after)
        if start - end <= JOINED_S:
            found.append(_Edge(min(start, end), max(start, end), tracks | later))
        else:
            found += [_Edge(end, end, tracks), _Edge(start, start, later)]
    return [*found, _Edge(tones[-1].end_s, tones[-1].end_s, _carrying(tones[-1]))]


def _carrying(tone: ToneLine) -> set[int]:
    """Tracks on which a tone stands over all else."""
    return {
        k
        for k, line in enumerate(tone.tracks)
        if line.level_dbfs is not None
        and (line.noise_dbfs is None or line.level_dbfs >= line.noise_dbfs)
    }


def _on(tone: ToneLine, tracks: Iterable[int]) -> bool:
    return set(tracks) <= _carrying(tone)


def _alike(finding: Finding) -> bool:
    """Whether two tracks are one signal as near together as a tone makes them."""
    if finding.check != "tracks" or finding.kind not in ("same-signal", "delayed"):
        return False
    late = finding.values.get("delay_us")
    return late is None or (isinstance(late, int | float) and abs(late) <= ALIKE_US)


def _parted(before: ToneLine, after: ToneLine) -> bool:
    """Whether two tones are one, parted by a disturbance."""
    if after.start_s - before.end_s > PARTED_S:
        return False
    if abs(after.frequency_hz / before.frequency_hz - 1) > SAME_HZ:
        return False
    pairs = [
        (a.level_dbfs, b.level_dbfs)
        for a, b in zip(before.tracks, after.tracks, strict=True)
        if a.level_dbfs is not None and b.level_dbfs is not None
    ]
    if not pairs:
        return False  # from one track to another
    # in order of level: tracks may have changed places
    ordered = zip(sorted(a for a, _ in pairs), sorted(b for _, b in pairs), strict=True)
    return _middle(pairs) <= SAME_DB or _middle(list(ordered)) <= SAME_DB


def _middle(pairs: list[tuple[float, float]]) -> float:
    """The median difference."""
    return sorted(abs(a - b) for a, b in pairs)[len(pairs) // 2]


def _bare(tone: ToneLine, tracks: Iterable[int]) -> bool:
    """Whether no tape noise lies under the tone on these tracks."""
    lines = [tone.tracks[k] for k in tracks if k < len(tone.tracks)]
    return all(
        line.level_dbfs is not None
        and (line.noise_dbfs is None or line.noise_dbfs - line.level_dbfs <= BARE_DB)
        for line in lines
    )


def _go_on(first: ToneLine, *more: ToneLine) -> bool:
    """Whether a tone of another frequency follows soon, as in a line-up: no held note of music."""
    return any(
        None not in (first.nominal_hz, one.nominal_hz)
        and one.nominal_hz != first.nominal_hz
        and one.start_s - first.end_s <= PAUSE_S
        for one in more
    )
