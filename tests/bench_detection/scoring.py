"""Findings held against plants: found, named rightly, how far off; and what was not planted."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from bench_detection.beds import Bed
from bench_detection.plants import Fault
from bench_detection.recorded import TRUE

from checks.model import Finding, Verdict

ASKING = (Verdict.LISTEN, Verdict.REDO, Verdict.UNREAD)


@dataclass(frozen=True, slots=True)
class Planting:
    """One fault as it lies in one capture. ``sigma``: jump, for steps; 0 elsewhere."""

    fault: Fault
    start: int
    frames: int
    tracks: tuple[int, ...]
    sigma: float = 0.0
    second: float = 0.0  # second largest jump of all tracks
    strength: int = 0  # of what the fault itself counts, see ``Fault``

    @property
    def must(self) -> bool:
        """Whether it lies above the stated limit (12 sigma in one track, 8 in several)."""
        if not self.fault.step:
            return self.fault.must and self.strength >= self.fault.enough
        return self.sigma >= 12.0 or self.second >= 8.0

    @property
    def row(self) -> str:
        """The line of the table it counts for."""
        if self.fault.must and self.strength < self.fault.enough:
            return f"{self.fault.size}, hardly any"
        if not self.fault.step:
            return self.fault.size
        top = 12.0 if self.second < 8 else 8.0
        return f"{self.fault.size}, {'above' if self.sigma >= top else 'below'} limit"


@dataclass(slots=True)
class Row:
    """One line of the recall table."""

    must: bool
    planted: int = 0
    found: int = 0
    named: int = 0
    redo: int = 0
    wrong_verdict: int = 0
    off: list[float] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    misnamed: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class Tally:
    """Everything a run collects."""

    recall: dict[tuple[str, str, str], Row] = field(default_factory=dict)
    extra: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    extra_seen: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))

    def add(
        self, bed: Bed, case: str, plantings: Sequence[Planting], findings: Iterable[Finding],
        before: Iterable[Finding],
    ) -> None:  # fmt: skip
        """Count one capture. ``before``: findings of the same checks on the clean bed."""
        left = [f for f in findings if f.verdict in ASKING]
        known = {(f.check, f.kind) for f in before if f.verdict in ASKING}
        used: set[int] = set()
        for planting in plantings:
            hits = [f for f in left if _meets(planting, f, bed)]
            used.update(id(f) for f in hits)
            self._count(planting, hits, bed, case)
        for finding in left:
            if id(finding) in used or (finding.check, finding.kind) in known:
                continue
            about = "+".join(sorted({p.fault.part for p in plantings}))
            kind = f"{finding.check}/{finding.kind} {finding.verdict}"
            self.extra[about][kind] += 1
            seen = self.extra_seen[f"{about}: {kind}"]
            if len(seen) < 6:
                seen.append(f"{case} | {bed.name} | {said(finding, bed)}")

    def _count(self, planting: Planting, hits: list[Finding], bed: Bed, case: str) -> None:
        fault = planting.fault
        key = (fault.part, fault.name, planting.row)
        row = self.recall.setdefault(key, Row(must=planting.must))
        row.planted += 1
        right = [f for f in hits if f.kind in fault.kinds]
        row.found += bool(hits)
        row.named += bool(right)
        redo = any(f.verdict is Verdict.REDO for f in hits)
        row.redo += redo
        row.wrong_verdict += bool(hits) and fault.redo is not None and redo != fault.redo
        for f in hits:
            if f.kind not in fault.kinds:
                row.misnamed[f"{f.kind} {f.verdict}"] += 1
        if right and not fault.everywhere and right[0].start_frame is not None:
            places = [at for f in right for at in f.values.get("start_frames", [f.start_frame])]
            row.off.append(min(abs(at - planting.start) for at in places) / bed.rate_hz)
        if not hits and len(row.missed) < 8:
            sigma = f", {planting.sigma:.1f} sigma" if fault.step else ""
            sigma += f", strength {planting.strength}" if fault.enough else ""
            row.missed.append(
                f"{case} | {bed.name} | frame {planting.start} "
                f"({planting.start / bed.rate_hz:.4f} s), tracks {list(planting.tracks)}{sigma}"
            )


def _meets(planting: Planting, finding: Finding, bed: Bed) -> bool:
    fault = planting.fault
    if finding.check != fault.check:
        return False
    if finding.tracks and not set(finding.tracks) & set(planting.tracks):
        return False
    if fault.everywhere:
        return True
    if finding.start_frame is None:
        return finding.kind in fault.kinds
    slack = max(round(fault.slack_s * bed.rate_hz), 48)
    start, stop = finding.start_frame, finding.start_frame + (finding.frames or 1)
    return start <= planting.start + planting.frames + slack and stop >= planting.start - slack


def said(finding: Finding, bed: Bed) -> str:
    """A finding on one line."""
    place = ""
    if finding.start_frame is not None:
        place = f" at {finding.start_frame / bed.rate_hz:.4f} s for {finding.frames} fr"
    values = ", ".join(f"{k}={v}" for k, v in finding.values.items())[:220]
    return (
        f"{finding.check}/{finding.kind} {finding.verdict} tracks {list(finding.tracks)}{place}"
        f" [{values}]"
    )


@dataclass(slots=True)
class Alarms:
    """False alarms on clean programme."""

    hours: float = 0.0
    track_hours: float = 0.0
    captures: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    seen: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    notes: Counter[str] = field(default_factory=Counter)

    def add(self, bed: Bed, findings: Iterable[Finding]) -> None:
        self.hours += bed.seconds / 3600
        self.track_hours += bed.seconds / 3600 * bed.tracks
        self.captures += 1
        for finding in findings:
            kind = f"{finding.check}/{finding.kind} {finding.verdict}"
            if finding.verdict not in ASKING:
                self.notes[kind] += 1
                continue
            if any(bed.kind.startswith(k) and finding.kind == name for k, name in TRUE):
                continue
            self.counts[kind] += 1
            self.seen[kind].append(f"{bed!r} | {said(finding, bed)}")


# -- tables --------------------------------------------------------------------------------------


def recall_table(tally: Tally) -> list[str]:
    """Markdown lines."""
    lines = [
        "| fault | size | must | planted | found | named | redo | verdict off | "
        "place off, median / worst |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for (part, name, size), row in tally.recall.items():
        n = row.planted
        off = f"{np.median(row.off) * 1000:.3f} / {max(row.off) * 1000:.3f} ms" if row.off else "-"
        lines.append(
            f"| {part}: {name} | {size} | {'yes' if row.must else 'no'} | {n} | "
            f"{_share(row.found, n)} | {_share(row.named, n)} | {_share(row.redo, n)} | "
            f"{row.wrong_verdict or '-'} | {off} |"
        )
    return lines


def place_table(tally: Tally) -> list[str]:
    """Found of those planted that must be found: a line a fault, a column a place."""
    cells: dict[str, Counter[str]] = defaultdict(Counter)
    places: dict[str, None] = {}
    for (part, name, size), row in tally.recall.items():
        if row.must:
            place = size.split(",")[0]
            places[place] = None
            cells[f"{part}: {name}"][place] += row.planted
            cells[f"{part}: {name}"][f"{place} found"] += row.found
    lines = [f"| fault | {' | '.join(places)} |", "| --- " * (len(places) + 1) + "|"]
    for fault, counts in sorted(cells.items()):
        shares = (f"{counts[f'{p} found']}/{counts[p]}" if counts[p] else "-" for p in places)
        lines.append(f"| {fault} | {' | '.join(shares)} |")
    return lines


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.0f} %" if whole else "-"


def misses(tally: Tally) -> list[str]:
    """What lay above the limit and was not found, or was named otherwise, with cases."""
    lines = []
    for (part, name, size), row in tally.recall.items():
        if row.must and row.missed:
            lines.append(
                f"missed {row.planted - row.found} of {row.planted}: {part}: {name} {size}"
            )
            lines += [f"    {m}" for m in row.missed]
        if row.misnamed:
            lines.append(f"also named: {part}: {name} {size}: {dict(row.misnamed)}")
    for about, counts in tally.extra.items():
        for kind, count in counts.most_common():
            lines.append(f"not planted ({about}): {kind}: {count}")
            lines += [f"    {s}" for s in tally.extra_seen[f"{about}: {kind}"]]
    return lines


def alarm_table(title: str, alarms: Alarms) -> list[str]:
    lines = [
        f"{title}: {alarms.captures} captures, {alarms.hours * 60:.1f} minutes, "
        f"{alarms.track_hours * 60:.1f} track-minutes",
        "| finding | count | an hour of programme |",
        "| --- | --- | --- |",
    ]
    for kind, count in alarms.counts.most_common():
        lines.append(f"| {kind} | {count} | {count / max(alarms.hours, 1e-9):.1f} |")
    if not alarms.counts:
        lines.append("| none | 0 | 0 |")
    lines.append(f"notes: {dict(alarms.notes)}")
    return lines


def plain(tallies: dict[str, Tally], clean: dict[str, Alarms]) -> dict[str, Any]:
    """Everything as JSON values."""
    return {
        "recall": [
            {
                "part": part, "fault": name, "size": size, "must": row.must,
                "planted": row.planted, "found": row.found, "named": row.named,
                "redo": row.redo, "wrong_verdict": row.wrong_verdict,
                "off_s": [round(v, 7) for v in row.off], "missed": row.missed,
                "misnamed": dict(row.misnamed),
            }
            for tally in tallies.values()
            for (part, name, size), row in tally.recall.items()
        ],
        "not_planted": [
            {"about": about, "counts": dict(counts)}
            for tally in tallies.values()
            for about, counts in tally.extra.items()
        ],
        "clean": {
            title: {
                "captures": a.captures, "hours": a.hours, "counts": dict(a.counts),
                "seen": dict(a.seen), "notes": dict(a.notes),
            }
            for title, a in clean.items()
        },
    }  # fmt: skip
