"""One capture through all checks: what was read becomes the report."""

from __future__ import annotations

import base64
import contextlib
import dataclasses
import os
import time
from collections.abc import Collection, Sequence
from datetime import datetime
from pathlib import Path

from checks import checksum
from checks.container import measures as container_line
from checks.explained import hiss_of_tape, told_once
from checks.lineup import explained
from checks.measures import ContainerMeasures, Measures
from checks.model import Finding, Outcome, Verdict
from checks.registry import ORDER
from checks.sheet import ReelKind
from watcher import __version__
from watcher.accounted import accounted
from watcher.files import shown
from watcher.gone import gone, with_gone
from watcher.partner import Partner
from watcher.reading import Progress, Reading
from watcher.record import Held, baseline, carried_signoff, history, of_other_takes
from watcher.report import CaptureLine, Expected, FileLine, FindingLine, Made, Report
from watcher.settings import Applied
from watcher.track_numbers import beyond
from watcher.tracksets import Capture


def examine(
    capture: Capture,
    applied: Applied,
    *,
    earlier: Report | None = None,
    progress: Progress | None = None,
    give_back: bool = False,
    only: Collection[str] | None = None,
    partner: Partner | None = None,
) -> Report:
    """Check one capture.

    Args:
        capture: the files.
        applied: sheet and limits as they apply to it.
        earlier: its former report, whose digests this one is held against.
        progress: told the work done, in bytes.
        give_back: hand read pages back to the system, for a server that records meanwhile.
        only: names of the sample checks wanted; None: all. Such a report is not to be kept.
        partner: a process that does a part of the sample checks.

    Returns:
        The report. Never raises for anything in or about the files.
    """
    began = time.monotonic()
    reading = Reading(capture, applied, progress, give_back=give_back, only=only, partner=partner)
    with contextlib.ExitStack() as stack:
        reading.open_all(stack)
        reading.read_all(stack)
        reading.look_again()
    return _report(reading, earlier, began)


def not_examined(
    capture: Capture, applied: Applied, cause: str, *, earlier: Report | None = None
) -> Report:
    """The report of a capture whose check ended before it could say anything: ``unread``."""
    reading = Reading(capture, applied, None, give_back=False)
    reading.give_up(cause)
    return _report(reading, earlier, time.monotonic())


def _report(reading: Reading, earlier: Report | None, began: float) -> Report:
    capture, applied = reading.capture, reading.applied
    files = [_file_line(reading, path) for path in capture.files]
    outcomes = {
        "container": _container(reading, gone(earlier, files) if earlier is not None else {}),
        **reading.outcomes,
        **_format(reading),
        "checksum": _checksum(reading, files, earlier),
    }
    rate = reading.fmt.rate_hz if reading.fmt else _first_rate(reading)
    lineup = reading.sheet.reel.kind is ReelKind.LINEUP
    outcomes = explained(
        accounted(
            hiss_of_tape(outcomes, lineup=lineup),
            rate_hz=rate or 1,
            frames=reading.frames,
            grows=any(member.grown_bytes for member in reading.members),
        ),
        rate_hz=rate or 1,
        frames=reading.frames,
        declared=lineup,
    )
    outcomes = told_once(outcomes, rate_hz=rate or 1)
    findings = tuple(
        FindingLine.of(finding, rate)
        for finding in sorted(
            (f for outcome in outcomes.values() for f in outcome.findings),
            key=lambda f: ORDER.index(f.check),
        )
    )
    signoff = carried_signoff(earlier, files, findings)
    return Report(
        capture=_capture_line(reading, files, rate),
        expected=Expected(values=applied.values, sources=applied.sources),
        verdict=Verdict.worst(f.verdict for f in findings),
        findings=findings,
        measures=Measures(**{name: outcome.measures for name, outcome in outcomes.items()}),
        earlier=history(earlier, files, signoff),
        signoff=signoff,
        made=Made(
            by=f"reelvigil {__version__}",
            at=datetime.now().astimezone().isoformat(timespec="seconds"),
            took_s=round(time.monotonic() - began, 3),
            settings=applied.digest,
        ),
    )


def _format(reading: Reading) -> dict[str, Outcome]:
    """What the format check found, with the numbers of the sheet that no track has."""
    outcome = reading.outcomes.get("format")
    if outcome is None or reading.fmt is None:
        return {}
    applied = reading.applied
    found = beyond(outcome, applied.sheet, applied.sources, reading.fmt.channels)
    return {"format": dataclasses.replace(outcome, findings=(*outcome.findings, *found))}


def _container(reading: Reading, lost: Collection[str]) -> Outcome:
    """What the walk over the bytes found, what could not be read, what a set ``lost``."""
    walked = [(m, m.layout) for m in reading.members if m.layout is not None]
    findings = [f for member, _ in walked for f in member.findings]
    lines = [container_line(layout) for _, layout in walked]
    of_set = reading.set_findings
    if reading.capture.is_set:
        findings = [_named(f, member.path) for member, _ in walked for f in member.findings]
        lines = [
            dataclasses.replace(container_line(layout), name=readable(member.path.name)[0])
            for member, layout in walked
        ]
        if any(member.grown_bytes for member, _ in walked):  # of what grows nobody knows it yet
            of_set = [f for f in of_set if f.kind != "set-length"]
    return Outcome(
        findings=(*reading.unread, *findings, *with_gone(of_set, [*lost])),
        measures=ContainerMeasures(files=tuple(lines)),
    )


def _named(finding: Finding, path: Path) -> Finding:
    """A finding about one file of a set, which says of which."""
    name = shown(path.name)
    return dataclasses.replace(
        finding, text=f"{name}: {finding.text}", values={**finding.values, "file": name}
    )


def _checksum(reading: Reading, files: Sequence[FileLine], earlier: Report | None) -> Outcome:
    compared = [
        checksum.Compared(
            name=shown(line.name),
            sha256=line.sha256,
            audio_sha256=line.audio_sha256,
            crc32_mib=line.crc32_mib or "",
            bytes=line.bytes or 0,
            record=baseline(earlier, line.name, held=_held(reading, path, line)),
        )
        for path, line in zip(reading.capture.files, files, strict=True)
        if line.sha256 is not None
    ]
    return checksum.judge(
        compared,
        reading.stored(),
        stored_expected=reading.applied.sheet.expect.stored_digest,
        done_again=set[str]().union(*(of_other_takes(earlier, line) for line in files)),
    )


def _held(reading: Reading, path: Path, line: FileLine) -> Held | None:
    """What one of the files holds, where its container tells."""
    member = next((m for m in reading.members if m.path == path), None)
    if member is None or member.layout is None:
        return None
    found = member.layout.found_frames
    return Held(
        frames=found if found is not None else reading.frames,
        audio_sha256=line.audio_sha256,
        crc32_mib=line.crc32_mib or "",
        whole=member.layout.complete,
    )


def _first_rate(reading: Reading) -> int | None:
    rates = [m.layout.rate_hz for m in reading.members if m.layout is not None]
    return rates[0] if rates else None


def _file_line(reading: Reading, path: Path) -> FileLine:
    name, name_b64 = readable(path.name)
    member = next((m for m in reading.members if m.path == path), None)
    if member is None:
        return FileLine(
            name=name,
            name_b64=name_b64,
            bytes=None,
            modified=None,
            container=None,
            sha256=None,
            audio_sha256=None,
            crc32_mib=None,
        )
    stand = reading.digests_stand(member)
    audio_stands = stand and (member.decoder is None or member.decoded_whole)
    return FileLine(
        name=name,
        name_b64=name_b64,
        bytes=member.before.size,
        modified=member.modified.isoformat(timespec="microseconds") if member.modified else None,
        container=member.layout.kind if member.layout else None,
        sha256=member.digests.sha256 if stand else None,
        audio_sha256=member.digests.audio_sha256 if audio_stands else None,
        crc32_mib=member.digests.crc32_mib if stand else None,
    )


def _capture_line(reading: Reading, files: Sequence[FileLine], rate: int | None) -> CaptureLine:
    name, name_b64 = readable(reading.capture.name)
    folder, folder_b64 = readable(str(reading.capture.folder))
    layout = next((m.layout for m in reading.members if m.layout is not None), None)
    fmt = reading.fmt
    channels = fmt.channels if fmt else (layout.channels if layout else 0)
    word_length = fmt.word_length if fmt else (layout.word_length if layout else 0)
    if fmt is not None and fmt.lossy:  # the words are the decoder's then, not the file's
        word_length = layout.word_length if layout else 0
    frames = reading.frames
    return CaptureLine(
        name=name,
        name_b64=name_b64,
        folder=folder,
        folder_b64=folder_b64,
        files=tuple(files),
        rate_hz=rate or None,
        channels=channels or None,
        word_length=word_length or None,
        encoding=layout.encoding.value if layout else None,
        frames=frames,
        duration_s=round(frames / rate, 6) if frames is not None and rate else None,
        tracks=tuple(reading.sheet.track_name(i) for i in range(channels)),
    )


def readable(name: str) -> tuple[str, str | None]:
    """A name as JSON holds it, and its exact bytes in base64 where it is not UTF-8."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return shown(name), base64.b64encode(os.fsencode(name)).decode("ascii")
    return name, None
