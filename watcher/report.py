"""The report of one capture: the sidecar's model, version 1, its JSON and its JSON Schema.

Everything here is what stands in the file; the schema is made from these very classes.
"""

from __future__ import annotations

import base64
import dataclasses
import functools
import hashlib
import json
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, NoReturn

from checks.measures import Measures
from checks.model import Finding, Remedy, Verdict
from watcher.errors import WatcherError

if TYPE_CHECKING:
    from pydantic import TypeAdapter

SUFFIX: Final = ".vigil.json"
PAGE_SUFFIX: Final = ".vigil.html"
"""Of the page that shows a report, beside it."""
FORMAT: Final = "reelvigil-report"
VERSION: Final = 1
_SHA256_BYTES: Final = 32  # FIPS 180-4, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class FileLine:
    """One file of the capture. ``crc32_mib``: eight hex digits a mebibyte."""

    name: str
    bytes: int | None
    modified: str | None
    container: str | None
    sha256: str | None
    audio_sha256: str | None
    crc32_mib: str | None
    name_b64: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureLine:
    name: str
    folder: str
    files: tuple[FileLine, ...]
    rate_hz: int | None
    channels: int | None
    word_length: int | None
    encoding: str | None
    frames: int | None
    duration_s: float | None
    tracks: tuple[str, ...]
    name_b64: str | None = None
    folder_b64: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    values: dict[str, Any]
    sources: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingLine:
    """A finding as it stands in the file: tracks from 1, frames from 0."""

    check: str
    kind: str
    verdict: Verdict
    remedy: Remedy
    tracks: tuple[int, ...]
    start_frame: int | None
    frames: int | None
    start_s: float | None
    text: str
    values: dict[str, Any]

    @classmethod
    def of(cls, finding: Finding, rate_hz: int | None) -> FindingLine:
        placed = finding.start_frame is not None and rate_hz
        return cls(
            check=finding.check,
            kind=finding.kind,
            verdict=finding.verdict,
            remedy=finding.remedy,
            tracks=tuple(track + 1 for track in finding.tracks),
            start_frame=finding.start_frame,
            frames=finding.frames,
            start_s=round(finding.start_frame / rate_hz, 6)
            if placed and finding.start_frame is not None and rate_hz
            else None,
            text=finding.text,
            values=dict(finding.values),
        )

    @property
    def starts(self) -> tuple[int, ...]:
        """As of ``Finding``; of a report that anybody may have written, no frames are none."""
        each = self.values.get("start_frames")
        listed = tuple(at for at in each if type(at) is int) if isinstance(each, list) else ()
        return listed or (() if self.start_frame is None else (self.start_frame,))


@dataclass(frozen=True, slots=True, kw_only=True)
class Signoff:
    by: str
    at: str
    note: str | None
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """A former state of the content; ``signoff`` where a person had accepted that state.

    ``unfinished``: the file was cut short or its header not complete; ``unfinalised``: the latter.
    ``frames``: how many the file held.
    """

    at: str
    sha256: str | None
    audio_sha256: str | None
    verdict: Verdict
    crc32_mib: str | None = None
    file: str | None = None
    signoff: Signoff | None = None
    unfinished: bool = False
    unfinalised: bool = False
    frames: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    by: str
    at: str
    took_s: float
    settings: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All of it for one capture."""

    format: Literal["reelvigil-report"] = FORMAT
    version: Literal[1] = VERSION
    capture: CaptureLine
    expected: Expected
    verdict: Verdict
    findings: tuple[FindingLine, ...]
    measures: Measures
    earlier: tuple[Earlier, ...] = field(default=())
    signoff: Signoff | None = None
    made: Made


class ReportError(WatcherError):
    """A sidecar that is not one, or not of this version."""


def plain(report: Report) -> dict[str, Any]:
    """The report as plain JSON values."""
    values: dict[str, Any] = _plain(report)
    return values


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(inner) for inner in value]
    return value.value if isinstance(value, Enum) else value


def to_json(report: Report, *, indent: int | None = 1) -> str:
    """The report as JSON text, ASCII, no NaN. ``indent=None``: on one line."""
    return json.dumps(plain(report), indent=indent, allow_nan=False)


def from_json(text: str | bytes) -> Report:
    """Read a report back.

    Raises:
        ReportError: no JSON, another format, a later version, fields missing, or a name, number or
            digest that cannot be one.
    """
    try:
        values = json.loads(
            text, parse_constant=_no_number, parse_float=_number, parse_int=_whole_number
        )
    except (ValueError, RecursionError) as error:
        raise ReportError(f"not JSON: {error}") from error
    if not isinstance(values, dict) or values.get("format") != FORMAT:
        raise ReportError(f"not a report: its format is not {FORMAT!r}")
    if values.get("version") != VERSION:
        raise ReportError(f"version {values.get('version')!r}; this program reads {VERSION}")
    from pydantic import ValidationError

    try:
        report = _adapter().validate_python(values)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ReportError(f"{where}: {first['msg']} ({error.error_count()} mistakes)") from error
    try:
        for name, name_b64 in _names(report.capture):
            in_bytes(name, name_b64)
        for sha256 in _digests(report):
            if len(bytes.fromhex(sha256)) != _SHA256_BYTES:
                raise ValueError(f"{sha256!r} is no SHA-256")
    except ValueError as error:  # what no encoding takes, too
        raise ReportError(f"a name or digest that is none: {error}") from error
    return report


def exact(name: str, name_b64: str | None) -> str:
    """A name of a report as the file system has it; to be shown like any other."""
    return os.fsdecode(base64.b64decode(name_b64)) if name_b64 else name


def in_bytes(name: str, name_b64: str | None) -> bytes:
    """The same in bytes.

    Raises:
        ValueError: no file can have such a name.
    """
    exactly = os.fsencode(exact(name, name_b64))
    if b"\0" in exactly:
        raise ValueError("a name holds a zero byte")
    return exactly


def _names(capture: CaptureLine) -> Iterator[tuple[str, str | None]]:
    yield capture.name, capture.name_b64
    yield capture.folder, capture.folder_b64
    yield from ((line.name, line.name_b64) for line in capture.files)


def _digests(report: Report) -> Iterator[str]:
    yield from (line.sha256 for line in report.capture.files if line.sha256 is not None)
    yield from (state.sha256 for state in report.earlier if state.sha256 is not None)


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number (RFC 8259, 6)")


def _number(text: str) -> float:
    value = float(text)
    return value if math.isfinite(value) else _no_number(text)


def _whole_number(text: str) -> int:
    _number(text)  # beyond what a float holds, the first division would fail
    return int(text)


@functools.cache
def _adapter() -> TypeAdapter[Report]:
    """What holds values against the model: made when a report is first read back.

    Importing pydantic and building this takes a quarter of a second, which a first check and the
    daemon's workers, who only write, need not wait for.
    """
    from pydantic import TypeAdapter

    return TypeAdapter(Report)


def schema() -> dict[str, Any]:
    """The JSON Schema of the sidecar, from the model that writes it."""
    made = _adapter().json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": FORMAT, **made}


def sidecar_path(capture: Path, reports: Path | None = None, top: Path | None = None) -> Path:
    """Where the report of a capture stands: beside it, or in a folder that mirrors the tree.

    Args:
        capture: the capture's file (for a track set: its folder / stem + ``.set``).
        reports: the mirroring folder, if configured.
        top: the first root: what lies below it is repeated from there, all else with its whole
            path, so that captures of one name have a report each.
    """
    name = capture.name + SUFFIX
    if len(name.encode("utf-8", "surrogateescape")) > 255:  # common limit of file systems
        mark = hashlib.sha256(capture.name.encode("utf-8", "surrogateescape")).hexdigest()[:8]
        name = f"{capture.name[:60]}~{mark}{SUFFIX}"
    if reports is None:
        return capture.parent / name
    folder = capture.parent
    if top is not None and folder.is_relative_to(top):
        return reports / folder.relative_to(top) / name
    folder = Path(os.path.realpath(folder))  # a root may be a link
    return reports / folder.relative_to(folder.anchor) / name


def page_path(sidecar: Path) -> Path:
    """Where the page of a report stands: beside it."""
    return sidecar.with_name(sidecar.name.removesuffix(SUFFIX) + PAGE_SUFFIX)
