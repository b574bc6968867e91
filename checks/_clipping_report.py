"""What the clipping check found, as findings: who is concerned, how bad, in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

from checks._flat_tops import EXACT_TOPS, Ceiling, FlatTops
from checks._full_scale import HeldRuns
from checks._runs import Place, Places
from checks._stood import Stood
from checks._true_peak import Peaks
from checks._wraps import Wraps
from checks.model import CaptureFormat, Finding, Remedy, Verdict, dbfs_peak, length_told, rounded
from checks.sheet import Sheet, TrackKind

LISTED: Final = 32  # places a finding names; from memory: more than a person walks through

_NOT_PROGRAMME: Final = " The sheet does not call this programme, so nothing is asked for."


def full_scale_findings(
    tracks: Sequence[HeldRuns], fmt: CaptureFormat, sheet: Sheet, *, redo_runs: int
) -> Iterable[Finding]:
    """One finding for the tracks that must be played again, one for those to be listened to."""
    clipped = [t for t, held in enumerate(tracks) if held.runs]
    programme = [t for t in clipped if _is_programme(sheet, t)]
    for verdict, group in (
        (Verdict.REDO, [t for t in programme if tracks[t].runs >= redo_runs]),
        (Verdict.LISTEN, [t for t in programme if tracks[t].runs < redo_runs]),
        (Verdict.CLEAR, [t for t in clipped if t not in programme]),
    ):
        if not group:
            continue
        count = sum(tracks[t].runs for t in group)
        longest = max(tracks[t].longest for t in group)
        below = ", or just below it" if any(tracks[t].below for t in group) else ""
        text = (
            f"{_peaks(count)} held at full scale{below}{_longest(count, longest, fmt)}: the level "
            "of this transfer was too high for the converter."
        )
        text += {
            Verdict.REDO: " Play the tape again at a lower level; whether the old recording is "
            "overloaded as well, only that pass will tell.",
            Verdict.LISTEN: f" Listen whether {'it' if count == 1 else 'they'} can be heard; the "
            "overload may be on the old recording as well.",
            Verdict.CLEAR: _NOT_PROGRAMME,
        }[verdict]
        yield _finding(
            "full-scale",
            verdict,
            Remedy.NONE if verdict is Verdict.CLEAR else Remedy.REPLAY,
            text,
            {t: tracks[t].places for t in group},
            count=count,
            longest_samples=longest,
            longest_us=_us(longest, fmt),
            held_ms=rounded(sum(tracks[t].held_frames for t in group) * 1e3 / fmt.rate_hz, 3),
            peaks_share_percent=_percent(count, sum(tracks[t].peaks for t in group)),
            each={
                t: {
                    "count": tracks[t].runs,
                    "longest_samples": tracks[t].longest,
                    "stretches": _stretches(tracks[t].stood),
                }
                for t in group
            },
        )


def flat_top_findings(
    tops: FlatTops,
    ceilings: Sequence[Sequence[Ceiling]],
    shared: frozenset[int],
    fmt: CaptureFormat,
    sheet: Sheet,
) -> Iterable[Finding]:
    """One finding for the tracks that share a ceiling, one for those that have their own."""
    cut = [t for t, found in enumerate(ceilings) if found]
    for verdict, group in (
        (Verdict.REDO, [t for t in cut if t in shared]),
        (Verdict.LISTEN, [t for t in cut if t not in shared and _is_programme(sheet, t)]),
        (Verdict.CLEAR, [t for t in cut if t not in shared and not _is_programme(sheet, t)]),
    ):
        if not group:
            continue
        sides = {t: [tops.side(t, positive=c.positive) for c in ceilings[t]] for t in group}
        counts = {t: sum(side.count for side in sides[t]) for t in group}
        count = sum(counts.values())
        longest = max(side.longest for t in group for side in sides[t])
        levels = [c.level_dbfs for t in group for c in ceilings[t]]
        low, high = rounded(min(levels)), rounded(max(levels))
        where = f"{high} dBFS" if low == high else f"{low} to {high} dBFS"
        every = all(side.most_exact >= EXACT_TOPS for t in group for side in sides[t])
        least = "" if every else "At least "  # noise and tilt hide some
        beyond = "beyond" if low is not None and low > 0 else "below"  # as only floats can be
        text = f"{least}{_peaks(count)} cut off flat {beyond} full scale, at {where}"
        text += {
            Verdict.REDO: ", at one level on tracks whose signals differ: what clips stands in "
            "this transfer and not on the tape. Find it, then play the tape again.",
            Verdict.LISTEN: ": something clipped before the converter. It may be on the old "
            "recording itself, and then another pass changes nothing; listen.",
            Verdict.CLEAR: "." + _NOT_PROGRAMME,
        }[verdict]
        yield _finding(
            "flat-top",
            verdict,
            {
                Verdict.REDO: Remedy.REPLAY,
                Verdict.LISTEN: Remedy.LISTEN,
                Verdict.CLEAR: Remedy.NONE,
            }[verdict],
            text,
            {t: tops.places[t] for t in group},
            count=count,
            longest_samples=longest,
            longest_us=_us(longest, fmt),
            level_dbfs=high,
            peaks_share_percent=_percent(
                count, sum(side.peaks for t in group for side in sides[t])
            ),
            each={
                t: {
                    "count": counts[t],
                    **_sides(ceilings[t]),
                    "stretches": _stretches(tops.stood[t]),
                }
                for t in group
            },
        )


def wrap_findings(tracks: Sequence[Wraps], fmt: CaptureFormat) -> Iterable[Finding]:
    """One finding for all tracks on which peaks wrapped round."""
    group = [t for t, wraps in enumerate(tracks) if wraps.certain]
    if not group:
        return
    count = sum(tracks[t].crests for t in group)
    least = "At least " if any(tracks[t].unsure for t in group) else ""
    longest = max(tracks[t].longest for t in group)
    yield _finding(
        "wrap",
        Verdict.REDO,
        Remedy.REPLAY,
        f"{least}{_peaks(count)} beyond full scale and wrapped round to the opposite end of the "
        f"range{_longest(count, longest, fmt)}: an overflow in a converter or in software, never "
        "on a tape. Play the tape again at a lower level.",
        {t: tracks[t].places for t in group},
        count=count,
        longest_samples=longest,
        longest_us=_us(longest, fmt),
        each={t: {"count": tracks[t].crests, "longest_samples": tracks[t].longest} for t in group},
    )


def headroom_findings(
    peaks: Peaks, clipped: Sequence[bool], *, headroom_db: float
) -> Iterable[Finding]:
    """A note for tracks that come near full scale without being clipped there."""
    levels = {
        t: dbfs_peak(float(peaks.true[t])) for t, is_clipped in enumerate(clipped) if not is_clipped
    }
    group = [t for t, level in levels.items() if level >= -headroom_db]
    if not group:
        return
    highest = rounded(max(levels[t] for t in group))
    text = f"Peaks come within {headroom_db:g} dB of full scale ({highest} dBTP), but are not held "
    text += "there."
    held = rounded(max(dbfs_peak(float(peaks.sample[t])) for t in group))
    if held is not None and held > 0:
        text = (
            f"Samples reach {held:+g} dBFS, over full scale, as only floats can. A player or "
            "whatever makes whole numbers of them clips there."
        )
    elif highest is not None and highest > 0:
        text = (
            f"Between the samples peaks reach {highest:+g} dBTP, over full scale; no sample is "
            "held there. A player or a converter of rates may clip them."
        )
    yield Finding(
        check="clipping",
        kind="headroom",
        verdict=Verdict.CLEAR,
        remedy=Remedy.NONE,
        tracks=tuple(group),
        text=text,
        values={"true_peak_dbtp": highest},
    )


def _finding(
    kind: str,
    verdict: Verdict,
    remedy: Remedy,
    text: str,
    places: dict[int, Places],
    *,
    each: dict[int, dict[str, Any]],
    **values: Any,
) -> Finding:
    """A finding with its places: those with most peaks on each track, in order of time."""
    room = max(1, LISTED // len(places))
    listed = {t: _most(list(found), room) for t, found in places.items()}
    start = min(p.start for found in places.values() for p in found)
    stop = max(p.stop for found in places.values() for p in found)
    return Finding(
        check="clipping",
        kind=kind,
        verdict=verdict,
        remedy=remedy,
        text=text,
        tracks=tuple(sorted(places)),
        start_frame=start,
        frames=stop - start,
        values={
            **values,
            "listed": sum(len(found) for found in listed.values()),
            "by_track": [
                {
                    "track": t + 1,
                    **each[t],
                    "places": [
                        {"start_frame": p.start, "frames": p.frames, "count": p.count}
                        for p in listed[t]
                    ],
                }
                for t in sorted(places)
            ],
        },
    )


def _most(places: list[Place], room: int) -> list[Place]:
    kept = sorted(places, key=lambda p: (-p.count, p.start))[:room]
    return sorted(kept, key=lambda p: p.start)


def _sides(ceilings: Sequence[Ceiling]) -> dict[str, Any]:
    """Level of a track's tops, positive and negative apart."""
    return {
        "positive_dbfs" if c.positive else "negative_dbfs": rounded(c.level_dbfs, 3)
        for c in ceilings
    }


def _stretches(stood: Stood) -> list[list[int]]:
    """First frame and length of each stretch of a track without hiss."""
    return [[start, stop - start] for start, stop in stood.stretches()]


def _is_programme(sheet: Sheet, track: int) -> bool:
    return sheet.track(track).kind is TrackKind.PROGRAMME


def _peaks(count: int) -> str:
    return f"{count} peaks are" if count != 1 else "1 peak is"


def _longest(peaks: int, samples: int, fmt: CaptureFormat) -> str:
    """How long the longest of some peaks lasts, in words."""
    lasts = length_told(samples, fmt.rate_hz, "sample")
    return f"{', the longest' if peaks != 1 else ''} for {lasts}"


def _us(samples: int, fmt: CaptureFormat) -> float | None:
    return rounded(samples * 1e6 / fmt.rate_hz, 1)


def _percent(part: int, whole: int) -> float | None:
    return rounded(min(100.0, 100.0 * part / whole), 1) if whole else None
