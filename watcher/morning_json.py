"""The morning summary as plain values (contract of ``summary --json``)."""

from __future__ import annotations

from typing import Any

from watcher.examine import readable
from watcher.morning import Morning, Waiting
from watcher.summary import CaptureRow as Row
from watcher.summary import Heading


def as_json(morning: Morning) -> dict[str, Any]:
    """Everything, version 1."""
    return {
        "format": "reelvigil-summary",
        "version": 1,
        "since": morning.since,
        "until": morning.until,
        "alive": morning.alive,
        "first_began": morning.first_began,
        "gaps": [{"began": g.began, "ended": g.ended} for g in morning.gaps],
        "troubles": [
            {"text": t.text, "began": t.began, "ended": t.ended} for t in morning.troubles
        ],
        "checked": {
            "captures": morning.checked,
            "duration_s": round(morning.audio_s, 3),
            "bytes": morning.bytes,
            "clear_and_gone": morning.clear_gone,
        },
        "headings": [
            {
                "heading": heading.name.lower(),
                "captures": [_row(row) for row in morning.groups[heading]],
            }
            for heading in Heading
        ],
        "line_ups": [
            {
                "line_up": line.lineup,
                "machine": line.machine,
                "done": line.done,
                "captures": line.captures,
                "why": list(line.why),
            }
            for line in morning.line_ups
        ],
        "still_open": [
            {
                "name": readable(one.name)[0],
                "folder": readable(one.folder)[0],
                "verdict": one.verdict,
            }
            for one in morning.still_open
        ],
        "missing": [_wait(item) for item in morning.missing],
        "waiting": [_wait(item) for item in morning.waiting],
        "verification": {
            "captures": morning.coverage.captures,
            "oldest": morning.coverage.oldest,
            "doubtful": morning.coverage.doubtful,
            "within_days": morning.coverage.within_days,
            "share": morning.coverage.share,
            "counts": morning.coverage.counts,
            "changed": [
                {"path": path, "state": state, "text": text}
                for path, state, text in morning.coverage.changed
            ],
        },
        "roots": [
            {
                "root": v.root,
                "state": v.state,
                "detail": v.detail,
                "scanned_at": v.scanned_at,
                "free_bytes": v.free_bytes,
                "hours_left": None if v.hours is None else round(v.hours, 1),
            }
            for v in morning.volumes
        ],
    }


def _row(row: Row) -> dict[str, Any]:
    return {
        "reel": row.reel,
        "name": readable(row.name)[0],
        "folder": readable(row.folder)[0],
        "about": row.about,
        "notes": row.notes,
        "signed": row.signed,
        "gone": row.gone,
        "findings": [
            {"at": f.place, "tracks": f.tracks, "kind": f.kind, "text": f.text, "also": f.also}
            for f in row.findings
        ],
    }


def _wait(item: Waiting) -> dict[str, str]:
    return {
        "name": readable(item.name)[0],
        "folder": readable(item.folder)[0],
        "why": item.why,
        "since": item.since,
    }
