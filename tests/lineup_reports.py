"""Reports of line-ups and of what is recorded after them, without any samples."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from checks.measures import (
    BextLine,
    ContainerFileLine,
    ContainerMeasures,
    LineupMeasures,
    Measures,
    ToneLine,
    ToneTrackLine,
)
from checks.model import Remedy, Verdict
from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.lineups import entry_of
from watcher.machine_lines import machine_lines
from watcher.report import (
    CaptureLine,
    Expected,
    FileLine,
    FindingLine,
    Made,
    Report,
    Signoff,
)

NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)


def bext(time: str) -> BextLine:
    return BextLine(
        description="", originator="", originator_reference="", origination_date="2026-02-03",
        origination_time=time, time_reference=0, version=1, umid=None, loudness_lufs=None,
        loudness_range_lu=None, max_true_peak_dbtp=None, max_momentary_lufs=None,
        max_short_term_lufs=None, coding_history="",
    )  # fmt: skip


def finding(verdict: Verdict, check: str = "lineup", kind: str = "level") -> FindingLine:
    return FindingLine(
        check=check, kind=kind, verdict=verdict, remedy=Remedy.REPLAY, tracks=(3,),
        start_frame=None, frames=None, start_s=None, text="0.7 dB low.", values={},
    )  # fmt: skip


def report(
    name: str,
    *,
    folder: str = "/store/monday",
    hours: float = 0.0,
    machine: str | None = "deck 2",
    kind: str = "programme",
    findings: Sequence[FindingLine] = (),
    tones: bool = False,
    required: bool = False,
    signoff: Signoff | None = None,
    header: str | None = None,
    duration_s: float = 20.0,
) -> Report:
    """A capture recorded so many hours after noon."""
    track = ToneTrackLine(track=1, level_dbfs=-18.1, deviation_db=-0.1, phase_deg=0.0,
                          flutter_percent=None)  # fmt: skip
    tone = ToneLine(start_s=1.0, end_s=16.0, frequency_hz=1000.0, nominal_hz=1000.0,
                    kind="steady", tracks=(track,))  # fmt: skip
    file = FileLine(
        name=name, bytes=1, modified=(NOON + timedelta(hours=hours)).isoformat(), container="wav",
        sha256="0" * 64, audio_sha256=None, crc32_mib="",
    )  # fmt: skip
    container = ContainerFileLine(
        kind="wav", header_frames=1, found_frames=1, audio_offset=44, audio_bytes=1, chunks=(),
        bext=bext(header) if header else None,
    )  # fmt: skip
    values: dict[str, Any] = {
        "reel": {"kind": kind}, "machine": machine,
        "lineup": {"valid_h": 12.0, "required": required},
    }  # fmt: skip
    return Report(
        capture=CaptureLine(
            name=name, folder=folder, files=(file,), rate_hz=96_000, channels=4, word_length=24,
            encoding="pcm", frames=1, duration_s=duration_s, tracks=("a", "b", "c", "d"),
        ),
        expected=Expected(values=values, sources={}),
        verdict=Verdict.worst(f.verdict for f in findings),
        findings=tuple(findings),
        measures=Measures(
            container=ContainerMeasures(files=(container,)),
            lineup=LineupMeasures(
                tones=(tone,) if tones else (), speed_error_percent=None, azimuth=(), response=()
            ),
        ),
        signoff=signoff,
        made=Made(by="reelvigil 0", at=NOON.isoformat(), took_s=1.0, settings="0"),
    )  # fmt: skip


def lineup(name: str = "lineup.wav", **settings: Any) -> Report:
    return report(name, **{"kind": "lineup", "tones": True} | settings)


def entries(*reports: Report) -> list[Any]:
    return [entry for r in reports if (entry := entry_of(r)) is not None]


def states(*reports: Report, **settings: Any) -> list[tuple[str, bool, int, tuple[str, ...]]]:
    """Of each line-up: its name, whether it is done with, what stands on it, why it is not."""
    return [(x.lineup, x.done, x.captures, x.why) for x in machine_lines(reports, **settings)]


def signed(r: Report, verdict: Verdict = Verdict.CLEAR) -> Report:
    return dataclasses.replace(
        r, signoff=Signoff(by="AB", at=NOON.isoformat(), note=None, verdict=verdict)
    )


REDO = [finding(Verdict.REDO)]


def kept(ledger: Ledger, r: Report, *, is_set: bool = False) -> None:
    """Into the ledger, as checked the day after."""
    path = Path(r.capture.folder) / (r.capture.name + ".set" * is_set)
    at = datetime.fromisoformat(str(r.capture.files[0].modified))
    identity = Identity(device=1, inode=1, size=1, mtime_ns=int(at.timestamp() * 1e9))
    row = ledger.put(root=ledger.root(Path("/store")), path=path, is_set=is_set,
                     files=[(path, identity)], state=State.CHECKING)  # fmt: skip
    made = dataclasses.replace(r.made, at=(NOON + timedelta(days=1)).isoformat())
    ledger.record(row.id, dataclasses.replace(r, made=made), report_path=path, paths=[path])
