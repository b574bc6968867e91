"""What is recorded of the files in a folder: by sidecars, the ledger, sum files and bags.

Every record is kept with its source; sources that disagree are told, never settled silently.
Paths are bytes. Nothing outside the folder is looked at: names that leave it are refused, links
are not followed.
"""

from __future__ import annotations

import gc
import os
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from watcher import bags, recorded, sumfiles
from watcher.files import shown
from watcher.recorded import Seen
from watcher.report import SUFFIX, ReportError
from watcher.walk import is_capture

_SIDECAR: Final = SUFFIX.encode()
MARKER: Final = b".reelvigil-root"


class Truth(NamedTuple):
    """One record of one file's content.

    Attributes:
        source: for people: ``sidecar``, ``ledger``, ``SHA256SUMS:3``, ``bag ...``.
        kind: ``source`` without its line, where it has one.
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
    kind: str = ""


class Found(NamedTuple):
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
        superseded: SHA-256 of former contents that a signed report has put out of account.
        aside: SHA-256 of contents that a person wants done again, and who, when and why.
        done_again: digests of all takes that a person ever wanted done again, as lists know them.
        altered: files that were not as recorded when they were last read, and what was read then.
        of_another: files in the place of whose report stands one of another, and what it is of.
    """

    files: dict[bytes, Found] = field(default_factory=dict)
    truths: dict[bytes, list[Truth]] = field(default_factory=dict)
    troubles: list[tuple[bytes, str, str]] = field(default_factory=list)
    renamed: dict[bytes, bytes] = field(default_factory=dict)
    superseded: dict[bytes, frozenset[bytes]] = field(default_factory=dict)
    aside: dict[bytes, dict[bytes, str]] = field(default_factory=dict)
    done_again: dict[bytes, frozenset[bytes]] = field(default_factory=dict)
    altered: dict[bytes, Seen] = field(default_factory=dict)
    of_another: dict[bytes, bytes] = field(default_factory=dict)
    links: set[bytes] = field(default_factory=set)
    bags: list[bags.Bag] = field(default_factory=list)
    _by_digest: dict[tuple[str, bytes], bytes] = field(default_factory=dict)

    def of_which(self, path: bytes, digests: Mapping[str, bytes]) -> str:
        """A sentence where what an altered file holds is recorded of another; else nothing."""
        if not self._by_digest:
            self._by_digest = {
                (t.algorithm, t.digest): where for where, ts in self.truths.items() for t in ts
            }
        other = next((p for d in digests.items() if (p := self._by_digest.get(d))), None)
        own = any(digests.get(t.algorithm) == t.digest for t in self.truths[path])
        if other is None or own:
            return ""
        return (
            f" Its content is the one recorded of {shown(other)}: one was put in the place of the "
            "other, or both changed places."
        )

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
    collecting = gc.isenabled()
    gc.disable()  # nothing here is garbage, and looking for it costs a fifth of the time
    try:
        return _gather(folder, mirror)
    finally:
        if collecting:
            gc.enable()
        gc.freeze()  # the records stay to the end: no later look at them either


def _gather(folder: bytes, mirror: bytes | None) -> Records:
    records = Records()
    sidecars: list[bytes] = []
    sums: list[bytes] = []
    for path, name in _walk(folder, records):
        if name.endswith(_SIDECAR):
            sidecars.append(path)
        elif not is_capture(name) and sumfiles.is_sum_file_name(os.fsdecode(name)):
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
            kind = f"bag {bag.manifest_name(entry.manifest)}"
            records.add(
                os.path.join(bag.folder, entry.path),
                Truth(f"{kind}:{entry.line}", entry.algorithm, entry.digest, kind=kind),
            )
        records.troubles += [
            (os.path.join(bag.folder, path), state, text) for path, state, text in bag.troubles
        ]
    _other_unicode_forms(records)
    return records


def _walk(folder: bytes, records: Records) -> Iterator[tuple[bytes, bytes]]:
    stack = [folder]
    files = records.files
    while stack:
        here = stack.pop()
        try:
            with os.scandir(here) as entries:
                for entry in entries:
                    name, path = entry.name, entry.path
                    if name.startswith(b"."):
                        continue
                    if entry.is_symlink():
                        records.links.add(path)
                    elif entry.is_file(follow_symlinks=False):
                        try:
                            st = entry.stat(follow_symlinks=False)
                        except FileNotFoundError:
                            continue  # it went since the folder was listed; the others are there
                        files[path] = Found(st.st_size, st.st_mtime_ns)
                        yield path, name
                    elif entry.is_dir(follow_symlinks=False):
                        stack.append(path)
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
        named, files = recorded.read(text)
        if only_below is not None:
            folder = named
            if not (folder + b"/").startswith(only_below + b"/"):
                return
        stem, names = os.path.basename(path).removesuffix(_SIDECAR), [file.name for file in files]
        if names and composed(stem) not in map(composed, names):  # of a set nothing has that name
            records.of_another[os.path.join(folder, stem)] = names[0]
        for file in files:
            place = os.path.join(folder, file.name)
            if file.superseded:
                records.superseded[place] = file.superseded
            if file.done_again:
                records.done_again[place] = file.done_again
            if file.digest is None:
                continue
            if file.aside is not None:
                records.aside.setdefault(place, {})[file.digest] = file.aside
            if file.altered is not None:
                records.altered[place] = file.altered
            records.add(
                place,
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
    except (OSError, ReportError, ValueError, KeyError, TypeError, RecursionError) as error:
        records.troubles.append((path, "unread", f"The report cannot be read: {error}."))


# -- sum files -------------------------------------------------------------------------------

_MOST_BAD: Final = 5  # lines of one sum file that say nothing; the rest is counted


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
    bare = sumfiles.bare(data, name=name)
    if bare is not None and os.path.lexists(os.path.join(folder, bare.name)):
        good, bad = [bare], []
    records.troubles += [
        (path, "unread", f"Line {item.line} says nothing: {item.why}.") for item in bad[:_MOST_BAD]
    ]
    if len(bad) > _MOST_BAD:
        more = len(bad) - _MOST_BAD
        text = f"{more} more {'line of it says' if more == 1 else 'lines of it say'} nothing."
        records.troubles.append((path, "unread", text))
    truths, before = records.truths, folder + b"/"
    for listed, algorithm, digest, number in good:
        inside = within(listed)
        if inside is None:
            text = f"Line {number} names a file outside its folder; never looked at."
            records.troubles.append((path, "unread", text))
            continue
        place = before + inside
        truth = Truth(f"{name}:{number}", algorithm, digest, None, None, None, None, name)
        if place in truths:
            truths[place].append(truth)
        else:
            truths[place] = [truth]


def within(name: bytes) -> bytes | None:
    """A listed name as a path below its list's folder; None for one that leaves it."""
    plain = _PLAIN.fullmatch(name)
    if plain is not None and name[1:2] != b":":
        return plain[1]  # the common case, quickly
    if not name or b"\0" in name or name.startswith((b"/", b"~")):
        return None
    if name[1:3] in (b":\\", b":/"):
        return None
    parts = [part for part in name.split(b"/") if part not in (b"", b".")]
    return b"/".join(parts) if parts and b".." not in parts else None


# no part of it is empty, hidden, or leads anywhere else
_PLAIN: Final = re.compile(rb"(?:\./)?([^/.~\0][^/\0]*(?:/[^/.\0][^/\0]*)*)")


# -- names -----------------------------------------------------------------------------------


def _other_unicode_forms(records: Records) -> None:
    """Names recorded in one Unicode form and stored in another are the same file, and said so."""
    absent = [path for path in records.truths if path not in records.files]
    if not absent:
        return
    by_form: dict[str, bytes | None] = {}
    for path in records.files:
        form = composed(path)
        by_form[form] = None if form in by_form else path  # twins: nobody can say which
    for path in absent:
        found = by_form.get(composed(path))
        if found is None:
            continue
        if found not in records.truths:
            records.renamed[path] = found
        elif not _lists(records.truths[path]) & _lists(records.truths[found]):
            # each list has it once, in a form of its own; one that has both means two files
            records.truths[found] += records.truths.pop(path)


def _lists(truths: list[Truth]) -> set[str | bytes]:
    return {truth.sidecar or kind_of(truth) for truth in truths}


def spoken(truth: Truth, among: Iterable[Truth] = ()) -> str:
    """A record's source in a sentence, and which of several reports it is."""
    if truth.source != "sidecar":
        return {"ledger": "the ledger"}.get(truth.source, truth.source)
    others = {t.sidecar for t in among if t.source == "sidecar"} - {truth.sidecar, None}
    if truth.sidecar is None or not others:
        return "its report"
    name = os.path.basename(truth.sidecar)
    told = truth.sidecar if name in {os.path.basename(o) for o in others if o} else name
    return f"the report {os.fsdecode(told)}"


def kind_of(truth: Truth) -> str:
    """The list or kind of record that a record comes from, without its line."""
    return truth.kind or truth.source


def composed(path: bytes) -> str:
    """A name or path in one Unicode form, for comparing."""
    return unicodedata.normalize("NFC", os.fsdecode(path))
