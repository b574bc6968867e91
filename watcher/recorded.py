"""What one report holds of the files of its capture: digests, and what a person decided of them."""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from checks.checksum import Record
from watcher.gone import gone
from watcher.record import baseline, done_again, set_aside, superseded
from watcher.report import FileLine, Report, from_json, in_bytes
from watcher.summary import signed


class Seen(NamedTuple):
    """A reading that found another content than the recorded one.

    Attributes:
        source: as of a ``Truth``.
        at: when it was read.
        size, modified: of the file then, where the source says.
        audio_same: whether its audio was as recorded all the same, where the source says.
    """

    source: str
    at: str
    size: int | None = None
    modified: str | None = None
    audio_same: bool | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a report holds of one file; ``aside`` and all below: see ``truths.Records``."""

    name: bytes
    digest: bytes | None
    at: str | None
    size: int | None
    modified: str | None
    superseded: frozenset[bytes] = frozenset()
    aside: str | None = None
    done_again: frozenset[bytes] = frozenset()
    altered: Seen | None = None


_DECODER: Final = json.JSONDecoder()
_OURS: Final = re.compile(rb'\{\s*"format": "reelvigil-report",\s*"version": 1,')
_NO_PAST: Final = re.compile(rb'"earlier": \[\],\s*"signoff": null,\s*"made": ')


def read(text: bytes) -> tuple[bytes, list[Recorded]]:
    """The folder that a report names, and its files. What was never changed nor signed: quickly.

    Raises:
        ReportError, ValueError, KeyError, TypeError: it is no report that can be read.
    """
    return _quick(text) or _whole(text)


def _quick(text: bytes) -> tuple[bytes, list[Recorded]] | None:
    """Digests without reading the whole report; None where its history or a sign-off counts.

    A hundred thousand reports have to be read before the first byte is verified.
    """
    at = text.find(b'"capture": ')
    if at < 0 or not _NO_PAST.search(text) or not _OURS.match(text):
        return None
    end = text.find(b'"expected": ', at)
    capture: Any = _DECODER.raw_decode(text[at + 11 : end].decode("ascii"))[0]
    made = text.rfind(b'"at": ')
    when = _DECODER.raw_decode(text[made + 6 : made + 60].decode("ascii"))[0] if made > 0 else None
    folder = _exact(capture, "folder")
    return folder, [_line(file, when) for file in capture["files"]]


def _exact(line: dict[str, Any], key: str) -> bytes:
    return in_bytes(line[key], line.get(f"{key}_b64"))


def _line(file: dict[str, Any], when: str | None) -> Recorded:
    digest = file["sha256"]
    return Recorded(
        name=_exact(file, "name"),
        digest=bytes.fromhex(digest) if digest else None,
        at=when,
        size=file["bytes"],
        modified=file["modified"],
    )


def name_of(line: FileLine) -> bytes:
    """A file's name in a report, as the file system has it."""
    return in_bytes(line.name, line.name_b64)


def _whole(text: bytes) -> tuple[bytes, list[Recorded]]:
    report = from_json(text)
    folder = in_bytes(report.capture.folder, report.capture.folder_b64)
    recorded = []
    for line in report.capture.files:
        record = baseline(report, line.name)
        aside = set_aside(report, line.name) if record is None else None
        if aside is not None:
            record = aside[0]
        current = record is not None and record.sha256 == line.sha256
        recorded.append(
            Recorded(
                name=name_of(line),
                digest=bytes.fromhex(record.sha256) if record else None,
                at=record.at if record else None,
                size=line.bytes if current else None,
                modified=line.modified if current else None,
                superseded=frozenset(map(bytes.fromhex, superseded(report, line.name))),
                aside=signed(aside[1]) if aside is not None else None,
                done_again=frozenset(map(bytes.fromhex, done_again(report, line.name))),
                altered=_altered(report, line, record),
            )
        )
    recorded += [
        Recorded(
            name=os.fsencode(name),
            digest=bytes.fromhex(record.sha256),
            at=record.at,
            size=None,
            modified=None,
        )
        for name, record in gone(report).items()
    ]
    return folder, recorded


def _altered(report: Report, line: FileLine, record: Record | None) -> Seen | None:
    """What a report says of a file that it found to be another than the recorded one."""
    if record is None or line.sha256 is None or line.sha256 == record.sha256:
        return None
    known = line.audio_sha256 is not None and record.audio_sha256 is not None
    return Seen(
        "sidecar",
        report.made.at,
        line.bytes,
        line.modified,
        line.audio_sha256 == record.audio_sha256 if known else None,
    )
