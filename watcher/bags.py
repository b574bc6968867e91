"""BagIt bags (RFC 8493): what their manifests say, and what is wrong with them as bags.

Read only; a bag is never made or mended here.
"""

from __future__ import annotations

import codecs
import hashlib
import os
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

MAX_BYTES: Final = 64 << 20
_MANIFEST: Final = re.compile(rb"(tag)?manifest-([0-9A-Za-z_-]+)\.txt")
# name in a manifest's file name, without punctuation (RFC 8493, 2.4) -> hashlib's
_ALGORITHMS: Final = {
    name.replace("_", ""): name
    for name in (
        *("md5", "sha1", "sha224", "sha256", "sha384", "sha512", "blake2b", "blake2s"),
        *("sha3_224", "sha3_256", "sha3_384", "sha3_512"),
    )
}
_LINE: Final = re.compile(rb"([0-9A-Fa-f]+)[ \t]+\*?(.+)")
_OXUM: Final = re.compile(rb"Payload-Oxum\s*:", re.IGNORECASE)
_OXUM_VALUE: Final = re.compile(rb"Payload-Oxum\s*:\s*(\d+)\.(\d+)\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a manifest; ``path`` below the bag's folder."""

    manifest: bytes
    line: int
    algorithm: str
    digest: bytes
    path: bytes


@dataclass(slots=True)
class Bag:
    """A bag: its lines, and what is wrong with it: (path below it, state, sentence)."""

    folder: bytes
    version: tuple[int, int] = (1, 0)
    encoding: str = "utf-8"
    entries: list[Entry] = field(default_factory=list)
    troubles: list[tuple[bytes, str, str]] = field(default_factory=list)

    def manifest_name(self, manifest: bytes) -> str:
        return os.fsdecode(manifest)


def read(folder: bytes) -> Bag:
    """Read the tags and manifests of a bag, without reading its payload."""
    bag = Bag(folder)
    _declaration(bag)
    manifests = sorted(name for name in os.listdir(folder) if _MANIFEST.fullmatch(name))
    for name in manifests:
        _manifest(bag, name)
    payload = dict(_payload(folder))
    listed: dict[bytes, set[str]] = {
        name: {_form(e.path) for e in bag.entries if e.manifest == name}
        for name in manifests
        if not name.startswith(b"tag")
    }
    if not listed:
        bag.troubles.append((b"", "missing", "The bag has no payload manifest (RFC 8493, 2.1.3)."))
    if bag.version < (1, 0) and listed:  # then a file need stand in one of them only
        listed = {b"any manifest": set().union(*listed.values())}
    for name, paths in listed.items():
        for path in sorted(path for path in payload if _form(path) not in paths):
            text = f"Not in {os.fsdecode(name)}, as every payload file must be (RFC 8493, 3)."
            bag.troubles.append((path, "unrecorded", text))
    _oxum(bag, payload)
    _fetch(bag)
    return bag


def _form(path: bytes) -> str:
    """A path in one Unicode form: systems store names in the form they like."""
    return unicodedata.normalize("NFC", os.fsdecode(path))


def _content(bag: Bag, name: bytes) -> bytes | None:
    path = os.path.join(bag.folder, name)
    if os.path.islink(path):
        bag.troubles.append((name, "unread", "A link; not followed."))
        return None
    try:
        with open(path, "rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        bag.troubles.append((name, "unread", f"Cannot be read: {error.strerror}."))
        return None
    if len(data) > MAX_BYTES:
        bag.troubles.append((name, "unread", f"Larger than {MAX_BYTES >> 20} MiB."))
        return None
    return data


def _declaration(bag: Bag) -> None:
    data = _content(bag, b"bagit.txt") or b""
    lines = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").rstrip(b"\n").split(b"\n")
    version = re.fullmatch(rb"BagIt-Version: (\d+)\.(\d+)", lines[0])
    encoding = re.fullmatch(rb"Tag-File-Character-Encoding: (\S+)", lines[-1])
    if len(lines) != 2 or version is None or encoding is None:
        text = "Not the two lines of RFC 8493, 2.1.1."
        bag.troubles.append((b"bagit.txt", "altered", text))
    if version is not None:
        bag.version = int(version[1]), int(version[2])
    if encoding is not None:
        try:
            bag.encoding = codecs.lookup(encoding[1].decode("ascii")).name
        except (LookupError, ValueError):
            text = "Names a character encoding that is not known here; taken as UTF-8."
            bag.troubles.append((b"bagit.txt", "unread", text))


def _recoded(bag: Bag, name: bytes, data: bytes) -> bytes:
    """A tag file in UTF-8, as the file system has names (RFC 8493, 2.1.1: any encoding)."""
    data = data.removeprefix(codecs.BOM_UTF8)
    if bag.encoding == "utf-8":
        return data
    try:
        return data.decode(bag.encoding).encode("utf-8")
    except ValueError:
        text = f"Not in {bag.encoding}, as bagit.txt says."
        bag.troubles.append((name, "unread", text))
        return data


def _lines(data: bytes) -> Iterator[tuple[int, bytes]]:
    text = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    for number, line in enumerate(text.split(b"\n"), 1):
        if line.strip():
            yield number, line


def _manifest(bag: Bag, name: bytes) -> None:
    found = _MANIFEST.fullmatch(name)
    data = _content(bag, name)
    if found is None or data is None:
        return
    kind = found[2].decode()
    algorithm = _ALGORITHMS.get(re.sub(r"[_-]", "", kind).lower())
    if algorithm is None:
        text = f"Digests of the kind {kind} are not read here."
        bag.troubles.append((name, "unread", text))
        return
    digits = 2 * hashlib.new(algorithm, usedforsecurity=False).digest_size
    for number, line in _lines(_recoded(bag, name, data)):
        parts = _LINE.fullmatch(line)
        path = _path_there(bag, parts[2]) if parts else None
        if parts is None or len(parts[1]) != digits:
            text = f"Line {number} is no digest and path (RFC 8493, 2.1.3)."
            bag.troubles.append((name, "unread", text))
        elif path is None or (not found[1] and not path.startswith(b"data/")):
            text = f"Line {number} names a path outside the payload; never looked at."
            bag.troubles.append((name, "unread", text))
        else:
            digest = bytes.fromhex(parts[1].decode())
            bag.entries.append(Entry(name, number, algorithm, digest, path))


def plain_path(coded: bytes) -> bytes | None:
    """The path that a manifest line means; None for one that leaves the bag.

    Only CR, LF and % are percent-encoded (RFC 8493, 2.1.3); many tools write % as it is.
    """
    path = re.sub(rb"%(0[DdAa]|25)", lambda m: bytes.fromhex(m[1].decode()), coded)
    path = path.removeprefix(b"./")
    parts = path.split(b"/")
    if path.startswith((b"/", b"~")) or b".." in parts or b"\0" in path:
        return None
    return path


def _path_there(bag: Bag, coded: bytes) -> bytes | None:
    """The path that a line means; where only the path as it is written is there, that one."""
    path = plain_path(coded)
    if path is None or path == coded or os.path.lexists(os.path.join(bag.folder, path)):
        return path
    return coded if os.path.lexists(os.path.join(bag.folder, coded)) else path


def _payload(folder: bytes) -> Iterator[tuple[bytes, int]]:
    stack = [b"data"]
    while stack:
        here = stack.pop()
        try:
            with os.scandir(os.path.join(folder, here)) as entries:
                for entry in entries:
                    path = here + b"/" + entry.name
                    if entry.is_dir(follow_symlinks=False):
                        stack.append(path)
                    elif entry.is_file(follow_symlinks=False):
                        yield path, entry.stat(follow_symlinks=False).st_size
        except OSError:
            continue  # told by the walk over the folder


def _oxum(bag: Bag, payload: dict[bytes, int]) -> None:
    data = _content(bag, b"bag-info.txt")
    if data is None:
        return
    given = [line for _, line in _lines(_recoded(bag, b"bag-info.txt", data)) if _OXUM.match(line)]
    told = [found for line in given if (found := _OXUM_VALUE.fullmatch(line))]
    if len(told) < len(given):
        text = "Its Payload-Oxum is not bytes.files (RFC 8493, 2.2.2)."
        bag.troubles.append((b"bag-info.txt", "altered", text))
    if len(told) > 1:
        text = "Payload-Oxum stands there more than once (RFC 8493, 2.2.2)."
        bag.troubles.append((b"bag-info.txt", "altered", text))
    if told:
        octets, files = int(told[0][1]), int(told[0][2])
        if (octets, files) != (sum(payload.values()), len(payload)):
            text = (
                f"Payload-Oxum says {octets} bytes in {files} files; there are "
                f"{sum(payload.values())} in {len(payload)}."
            )
            bag.troubles.append((b"bag-info.txt", "altered", text))


def _fetch(bag: Bag) -> None:
    data = _content(bag, b"fetch.txt")
    if data is None:
        return
    for number, line in _lines(_recoded(bag, b"fetch.txt", data)):
        parts = line.split(None, 2)
        path = plain_path(parts[2]) if len(parts) == 3 else None
        if path is None or not path.startswith(b"data/"):
            text = f"Line {number} is not an address, a length and a payload path."
            bag.troubles.append((b"fetch.txt", "unread", text))
        elif not os.path.lexists(os.path.join(bag.folder, path)):
            bag.troubles.append((path, "missing", "Still to be fetched: the bag is incomplete."))
