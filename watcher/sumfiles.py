"""Sum files of general tools: lines of digest and name, read in every common form, written in one.

GNU coreutils form: digest, a space, a space or ``*``, name; a line whose name holds a backslash,
line feed or carriage return begins with a backslash and has them escaped. BSD form:
``SHA256 (name) = digest``. (GNU coreutils manual, "md5 invocation", 9.x.) Names are bytes.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple

MAX_BYTES: Final = 64 << 20  # a list of a million files; more is no sum file
MAX_LINES: Final = 1_000_000

# digits of a digest -> algorithm, as hashlib calls it
BY_DIGITS: Final = {32: "md5", 40: "sha1", 64: "sha256", 128: "sha512"}
_BSD_NAMES: Final = {
    b"MD5": "md5",
    b"SHA1": "sha1",
    b"SHA256": "sha256",
    b"SHA512": "sha512",
    b"BLAKE2b": "blake2b",
}
_DIGITS: Final = {"md5": 32, "sha1": 40, "sha256": 64, "sha512": 128, "blake2b": 128}
_GNU: Final = re.compile(rb"(\\?)([0-9A-Fa-f]{32,128}) ([ *])(.+)", re.DOTALL)
_BSD: Final = re.compile(
    rb"(\\?)(MD5|SHA1|SHA256|SHA512|BLAKE2b)(?:-(\d{1,3}))? \((.+)\) = ([0-9A-Fa-f]+)", re.DOTALL
)
# what one-space lists of some BSD tools look like; a name that begins with a space is GNU's
_ONE_SPACE: Final = re.compile(rb"([0-9A-Fa-f]{32,128}) ([^ *].*)", re.DOTALL)

# names by which people and tools call such files; common practice
_NAMES: Final = re.compile(
    r"(?:.+\.)?(?:md5|sha1|sha256|sha512|b2)(?:sum|sums)?(?:\.txt)?|(?:md5|sha1|sha256|sha512|b2)"
    r"sums?(?:\.(?:txt|asc))?|checksums?\.(?:md5|sha1|sha256|sha512|txt)|.+\.(?:md5|sha256)sums?",
    re.IGNORECASE,
)


class SumLine(NamedTuple):
    """One digest for one name. ``name`` as bytes, relative to the sum file's folder."""

    name: bytes
    algorithm: str
    digest: bytes
    line: int


class BadLine(NamedTuple):
    """A line that says nothing, and why."""

    line: int
    why: str


# a file of one digest and nothing else, called after the file that it speaks of; common practice
_CALLED: Final = re.compile(r"(.+)\.(md5|sha1|sha256|sha512|b2)(?:sums?)?", re.IGNORECASE)
_CALLED_BY: Final = {"b2": "blake2b"}


def called_after(name: str) -> str | None:
    """What a sum file is called after: ``a.wav`` for ``a.wav.md5``; None for a general one."""
    found = _CALLED.fullmatch(name)
    return found[1] if found else None


def bare(data: bytes, *, name: str) -> SumLine | None:
    """The one digest of a sum file that holds nothing else, for the name it is called after.

    Whether there is a file of that name is for the caller to see.
    """
    found = _CALLED.fullmatch(name)
    if found is None or len(data) > 1024:
        return None
    ending = found[2].lower()
    algorithm = _CALLED_BY.get(ending, ending)
    digits = data.removeprefix(b"\xef\xbb\xbf").strip()
    if not re.fullmatch(rb"[0-9A-Fa-f]{%d}" % _DIGITS[algorithm], digits):
        return None
    return SumLine(os.fsencode(found[1]), algorithm, bytes.fromhex(digits.decode("ascii")), 1)


def is_sum_file_name(name: str) -> bool:
    """Whether people would take a file of that name for a sum file."""
    return _NAMES.fullmatch(name) is not None


def parse(data: bytes, *, name: str = "") -> tuple[list[SumLine], list[BadLine]]:
    """Every line of a sum file: what it says, or why it says nothing.

    Args:
        data: the file's content.
        name: its name; tells SHA-512 from BLAKE2b where the digits alone do not (``.b2``).
    """
    good: list[SumLine] = []
    bad: list[BadLine] = []
    if len(data) > MAX_BYTES:
        return [], [BadLine(line=0, why=f"larger than {MAX_BYTES >> 20} MiB")]
    blake = re.search(r"b2|blake2b", name, re.IGNORECASE) is not None
    for number, line in enumerate(_lines(data), 1):
        if number > MAX_LINES:
            bad.append(BadLine(line=number, why=f"more than {MAX_LINES} lines"))
            break
        if plain := _plain(line, number):
            good.append(plain)
            continue
        if not line.strip():
            continue
        found = _line(line, number, blake=blake)
        if isinstance(found, SumLine):
            good.append(found)
        elif not line.startswith(b"#"):
            bad.append(found)
    return good, bad


def _lines(data: bytes) -> Iterator[bytes]:
    for line in data.removeprefix(b"\xef\xbb\xbf").split(b"\n"):
        yield line.removesuffix(b"\r")


def _plain(line: bytes, number: int) -> SumLine | None:
    """The commonest line, quickly: a SHA-256 and a name that needs no escape."""
    if line[64:66] not in (b"  ", b" *") or len(line) == 66:
        return None
    try:
        digest = bytes.fromhex(line[:64].decode("ascii"))
    except ValueError:
        return None
    # 32 bytes only where all 64 are digits: fromhex passes blanks over
    return SumLine(line[66:], "sha256", digest, number) if len(digest) == 32 else None


def _line(line: bytes, number: int, *, blake: bool) -> SumLine | BadLine:
    if found := _BSD.fullmatch(line):
        escaped, kind, bits, name, digits = found.groups()
        algorithm = _BSD_NAMES[kind]
        if bits is not None and int(bits) != 4 * _DIGITS[algorithm]:
            return BadLine(line=number, why=f"{kind.decode()} of {bits.decode()} bits is not read")
    elif found := _GNU.fullmatch(line):
        escaped, digits, _, name = found.groups()
        algorithm = _by_digits(digits, blake=blake)
    elif found := _ONE_SPACE.fullmatch(line):
        digits, name = found.groups()
        escaped, algorithm = b"", _by_digits(digits, blake=blake)
    else:
        return BadLine(line=number, why="neither digest and name nor the BSD form")
    if len(digits) != _DIGITS.get(algorithm):
        return BadLine(line=number, why=f"{len(digits)} digits are no digest known here")
    if escaped:
        plain = unescaped(name)
        if plain is None:
            return BadLine(line=number, why="a backslash that escapes nothing")
        name = plain
    return SumLine(
        name=name, algorithm=algorithm, digest=bytes.fromhex(digits.decode()), line=number
    )


def _by_digits(digits: bytes, *, blake: bool) -> str:
    return "blake2b" if blake and len(digits) == 128 else BY_DIGITS.get(len(digits), "")


_ESCAPES: Final = {b"\\": b"\\\\", b"\n": b"\\n", b"\r": b"\\r"}


def escaped(name: bytes) -> bytes:
    """A name as an escaped line holds it."""
    return re.sub(rb"[\\\n\r]", lambda found: _ESCAPES[found[0]], name)


def unescaped(name: bytes) -> bytes | None:
    """The name that an escaped line holds; None where an escape is wrong."""
    plain = {escape: char for char, escape in _ESCAPES.items()}
    parts = re.split(rb"(\\.?)", name, flags=re.DOTALL)
    try:
        return b"".join(plain[p] if p.startswith(b"\\") else p for p in parts)
    except KeyError:
        return None


def written(lines: Iterable[tuple[bytes, bytes]]) -> bytes:
    """A sum file that ``sha256sum -c`` accepts, of (digest, name) pairs."""
    out = []
    for digest, name in lines:
        safe = escaped(name)
        mark = b"\\" if safe != name else b""
        out.append(mark + digest.hex().encode() + b"  " + safe + b"\n")
    return b"".join(out)
