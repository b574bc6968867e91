"""What is recorded of the files in a folder: by sidecars, the ledger, sum files and bags.

Every record is kept with its source; sources that disagree are told, never settled silently.
Paths are bytes. Nothing outside the folder is looked at: names that leave it are refused, links
are not followed.
"""

from __future__ import annotations

import base64
import json
import os
import stat
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from watcher import bags, sumfiles
from watcher.record import baseline
from watcher.report import SUFFIX, ReportError, from_json

_SIDECAR: Final = SUFFIX.encode()
MARKER: Final = b".reelvigil-root"


@dataclass(frozen=True, slots=True)
class Truth:
    """One record of one file's content.

    Attributes:
        source: for people: ``sidecar``, ``ledger``, ``SHA256SUMS:3``, ``bag ...``.
        sidecar: the report that holds more of it (checksums of every mebibyte, the layout).
        size, modified: as recorded; None where the source does not say.
    """

    source: str
    algorithm: str
    digest: bytes
    at: str | None = None
    size: int | None = None
    modified: str | None = None
    sidecar: bytes | None = None


@dataclass(slots=True)
class Found:
    """A file as the walk over the folder met it."""

    size: int
    mtime_ns: int


@dataclass(slots=True)
class Records:
    """All that a folder holds and all that is recorded of it.

    Attributes:
        files: every regular file that may be verified.
        truths: records by path, also of files that are not there.
        troubles: what is wrong beside the files' contents: (place, state, sentence).
        renamed: path as recorded -> path as found, where only the Unicode form of the name differs.
    """

    files: dict[bytes, Found] = field(default_factory=dict)
    truths: dict[bytes, list[Truth]] = field(default_factory=dict)
    troubles: list[tuple[bytes, str, str]] = field(default_factory=list)
    renamed: dict[bytes, bytes] = field(default_factory=dict)
    links: set[bytes] = field(default_factory=set)
    bags: list[bags.Bag] = field(default_factory=list)

    def add(self, path: bytes, truth: Truth) -> None:
        known = self.truths.get(path)
        if known is None:
            self.truths[path] = [truth]
        else:
            known.append(truth)


def gather(folder: bytes, mirror: bytes | None = None) -> Records:
    """Walk a folder and read every record in it.

    Args:
        folder: absolute, links resolved.
        mirror: where reports stand instead of beside the captures, if configured so.
    """
    records = Records()
    sidecars: list[bytes] = []
    sums: list[bytes] = []
    for path, name in _walk(folder, records):
        if name.endswith(_SIDECAR):
            sidecars.append(path)
        elif sumfiles.is_sum_file_name(os.fsdecode(name)):
            sums.append(path)
        elif name == b"bagit.txt":
            records.bags.append(bags.read(os.path.dirname(path)))
    for path in sidecars:
        _from_sidecar(path, records)
        del records.files[path]
    if mirror is not None:
        for path, name in _walk(mirror, Records()):
            if name.endswith(_SIDECAR):
                _from_sidecar(path, records, only_below=folder)
    for path in sums:
        _from_sum_file(path, records)
        del records.files[path]
    for bag in records.bags:
        for entry in bag.entries:
            source = f"bag {bag.manifest_name(entry.manifest)}:{entry.line}"
            records.add(
                os.path.join(bag.folder, entry.path), Truth(source, entry.algorithm, entry.digest)
            )
        records.troubles += [
            (os.path.join(bag.folder, path), state, text) for path, state, text in bag.troubles
        ]
    _other_unicode_forms(records)
    return records


def _walk(folder: bytes, records: Records) -> Iterator[tuple[bytes, bytes]]:
    stack = [folder]
    while stack:
        here = stack.pop()
        try:
            with os.scandir(here) as entries:
                for entry in entries:
                    if entry.name.startswith(b"."):
                        continue
                    if entry.is_symlink():
                        records.links.add(entry.path)
                        continue
                    st = entry.stat(follow_symlinks=False)
                    if stat.S_ISDIR(st.st_mode):
                        stack.append(entry.path)
                    elif stat.S_ISREG(st.st_mode):
                        records.files[entry.path] = Found(st.st_size, st.st_mtime_ns)
                        yield entry.path, entry.name
        except OSError as error:
            records.troubles.append((here, "unread", f"Cannot be listed: {error.strerror}."))


# -- sidecars --------------------------------------------------------------------------------


def _from_sidecar(path: bytes, records: Records, only_below: bytes | None = None) -> None:
    """The digests of one report. What was never changed nor signed is read the quick way.

    A report beside its capture speaks of the files beside it, wherever the folder was moved to;
    one in a mirror speaks of the folder it names.
    """
    folder = os.path.dirname(path)
    try:
        with open(path, "rb") as stream:
            text = stream.read()
        named, files = _quick(text) or _whole(text)
        if only_below is not None:
            folder = named
            if not (folder + b"/").startswith(only_below + b"/"):
                return
        for file in files:
            if file.digest is None:
                continue
            records.add(
                os.path.join(folder, file.name),
                Truth(
                    "sidecar",
                    "sha256",
                    file.digest,
                    at=file.at,
                    size=file.size,
                    modified=file.modified,
                    sidecar=path,
                ),
            )
    except (OSError, ReportError, ValueError, KeyError, TypeError) as error:
        records.troubles.append((path, "unread", f"The report cannot be read: {error}."))


@dataclass(frozen=True, slots=True)
class _Recorded:
    name: bytes
    digest: bytes | None
    at: str | None
    size: int | None
    modified: str | None


_DECODER: Final = json.JSONDecoder()


def _quick(text: bytes) -> tuple[bytes, list[_Recorded]] | None:
    """Digests without reading the whole report; None where its history or a sign-off counts.

    A hundred thousand reports have to be read before the first byte is verified.
    """
    at = text.find(b'"capture": ')
    if at < 0 or b'"earlier": []' not in text:
        return None
    if not text.startswith((b'{"format": "reelvigil-report"', b'{\n "format": "reelvigil-report"')):
        return None
    end = text.find(b'"expected": ', at)
    capture: Any = _DECODER.raw_decode(text[at + 11 : end].decode("ascii"))[0]
    made = text.rfind(b'"at": ')
    when = _DECODER.raw_decode(text[made + 6 : made + 60].decode("ascii"))[0] if made > 0 else None
    return exact_name(capture, "folder"), [_line(file, when) for file in capture["files"]]


def _line(file: dict[str, Any], when: str | None) -> _Recorded:
    digest = file["sha256"]
    return _Recorded(
        name=exact_name(file),
        digest=bytes.fromhex(digest) if digest else None,
        at=when,
        size=file["bytes"],
        modified=file["modified"],
    )


def exact_name(line: dict[str, Any], key: str = "name") -> bytes:
    """A name in a report as the file system has it."""
    coded = line.get(f"{key}_b64")
    return base64.b64decode(coded) if coded else os.fsencode(line[key])


def _whole(text: bytes) -> tuple[bytes, list[_Recorded]]:
    report = from_json(text)
    capture = json.loads(text)["capture"]
    values = capture["files"]
    recorded = []
    for line, file in zip(report.capture.files, values, strict=True):
        record = baseline(report, line.name)
        current = record is not None and record.sha256 == line.sha256
        recorded.append(
            _Recorded(
                name=exact_name(file),
                digest=bytes.fromhex(record.sha256) if record else None,
                at=record.at if record else None,
                size=line.bytes if current else None,
                modified=line.modified if current else None,
            )
        )
    return exact_name(capture, "folder"), recorded


# -- sum files -------------------------------------------------------------------------------


def _from_sum_file(path: bytes, records: Records) -> None:
    folder, own = os.path.split(path)
    try:
        with open(path, "rb") as stream:
            data = stream.read(sumfiles.MAX_BYTES + 1)
    except OSError as error:
        records.troubles.append((path, "unread", f"Cannot be read: {error.strerror}."))
        return
    name = os.fsdecode(own)
    good, bad = sumfiles.parse(data, name=name)
    records.troubles += [
        (path, "unread", f"Line {item.line} says nothing: {item.why}.") for item in bad
    ]
    for line in good:
        inside = within(line.name)
        if inside is None:
            text = f"Line {line.line} names a file outside its folder; never looked at."
            records.troubles.append((path, "unread", text))
            continue
        records.add(
            os.path.join(folder, inside),
            Truth(f"{name}:{line.line}", line.algorithm, line.digest),
        )


def within(name: bytes) -> bytes | None:
    """A listed name as a path below its list's folder; None for one that leaves it."""
    if not name or b"\0" in name or name.startswith((b"/", b"~")):
        return None
    if name[1:3] in (b":\\", b":/"):
        return None
    name = name.removeprefix(b"./")
    if b"/." not in name and b"//" not in name and name[:1] not in (b".", b""):
        return name  # the common case, quickly
    parts = [part for part in name.split(b"/") if part not in (b"", b".")]
    return b"/".join(parts) if parts and b".." not in parts else None


# -- names -----------------------------------------------------------------------------------


def _other_unicode_forms(records: Records) -> None:
    """Names recorded in one Unicode form and stored in another are the same file, and said so."""
    absent = [path for path in records.truths if path not in records.files]
    if not absent:
        return
    by_form: dict[str, bytes | None] = {}
    for path in records.files:
        form = _form(path)
        by_form[form] = None if form in by_form else path  # twins: nobody can say which
    for path in absent:
        found = by_form.get(_form(path))
        if found is not None and found not in records.truths:
            records.renamed[path] = found


def _form(path: bytes) -> str:
    return unicodedata.normalize("NFC", os.fsdecode(path))
