"""``lineup FILE...``: the line-up tones of captures as a table, and nothing else of them."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

from checks.model import Verdict, clock
from watcher import check
from watcher.console import console_on, shown_text, working
from watcher.examine import examine
from watcher.exits import BY_VERDICT, Exit
from watcher.files import shown
from watcher.lineup_view import WIDTH, lineup_lines
from watcher.report import VERSION, FindingLine, Report, plain
from watcher.settings import find_config, load
from watcher.stands_on import on_disk, with_stands_on
from watcher.summary import track_names


def run_lineup(args: argparse.Namespace) -> Exit:
    """``lineup FILE...``"""
    jobs = check.plan(args.files, load(find_config(Path(args.config) if args.config else None)))
    statuses = []
    console = console_on(sys.stdout)
    with working(sum(job.bytes for job in jobs)) as work:
        for number, job in enumerate(jobs):
            work.on(job.capture.name)
            report = _looked_at(job, work.add)
            findings = concerning(report)
            statuses.append(BY_VERDICT[Verdict.worst(f.verdict for f in findings)])
            if any(f.kind == "not-run" for f in findings):
                statuses.append(Exit.FAULT)
            if args.json:
                print(json.dumps(as_json(report, findings), allow_nan=False), flush=True)
                continue
            if number:
                console.print()
            width = min(console.width, WIDTH)
            for line in (*lineup_lines(report, width), *_told(report, findings, width - 2)):
                console.print(shown_text(line), soft_wrap=True)
    return Exit.worst(statuses)


def _looked_at(job: check.Job, progress: Callable[[float], None]) -> Report:
    """What the line-up check alone says; no earlier report is asked, none is written."""
    report = examine(job.capture, job.applied, progress=progress, only=("lineup",))
    line_ups = on_disk(job.capture.folder, top=job.top, at=job.report_path.parent)
    return with_stands_on(report, line_ups)


def concerning(report: Report) -> tuple[FindingLine, ...]:
    """The findings about the line-up, and whatever kept it from being looked at."""
    return tuple(f for f in report.findings if f.check == "lineup" or f.verdict is Verdict.UNREAD)


def as_json(report: Report, findings: tuple[FindingLine, ...]) -> dict[str, Any]:
    """A capture's line-up as the report holds it."""
    whole = plain(report)
    return {
        "version": VERSION,
        "capture": whole["capture"]["name"],
        "folder": whole["capture"]["folder"],
        "verdict": Verdict.worst(f.verdict for f in findings).value,
        "findings": [f for f, own in zip(whole["findings"], report.findings, strict=True)
                     if own in findings],
        "lineup": whole["measures"]["lineup"],
    }  # fmt: skip


def _told(report: Report, findings: tuple[FindingLine, ...], width: int) -> list[str]:
    """What is to be said, the worst first; the note that repeats the table is left out."""
    lines: list[str] = []
    for finding in sorted(findings, key=lambda f: -f.verdict.rank):
        if finding.kind == "tones":
            continue
        place = ""
        if finding.start_frame is not None and report.capture.rate_hz:
            place = clock(finding.start_frame, report.capture.rate_hz) + "  "
        tracks = track_names(report, finding.tracks)
        text = f"{place}{shown(tracks) + ': ' if tracks else ''}{finding.text}"
        lines += ["", *textwrap.wrap(f"{finding.verdict.value}: {text}  [{finding.kind}]", width,
                                     initial_indent="  ", subsequent_indent="    ")]  # fmt: skip
    return lines
