"""Digests over the bytes of a capture, and what earlier records and stored digests say of them.

SHA-256 of the file and of the audio (FIPS 180-4, through hashlib), CRC-32 of every mebibyte
(ISO 3309, through zlib) so that a later change can be placed, MD5 only where something stored
in the file is to be compared with it (RFC 1321; FLAC's own: RFC 9639, 8.2).

What this does not prove: that the bytes were right when they were first read. Equal digests say
"unchanged since", nothing about what was recorded.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from checks.measures import ChecksumMeasures, StoredDigestLine
from checks.model import Finding, Outcome, Remedy, Verdict

MEBIBYTE: Final = 1 << 20


class MebibyteCrcs:
    """CRC-32 of every mebibyte of a file, fed in any pieces."""

    def __init__(self) -> None:
        self._done: list[int] = []
        self._crc = 0
        self._room = MEBIBYTE

    def update(self, data: memoryview) -> None:
        at = 0
        while at < len(data):
            part = data[at : at + self._room]
            self._crc = zlib.crc32(part, self._crc)
            self._room -= len(part)
            at += len(part)
            if not self._room:
                self._done.append(self._crc)
                self._crc, self._room = 0, MEBIBYTE

    def values(self) -> list[int]:
        """One value a mebibyte begun; the last may cover less."""
        return [*self._done, self._crc] if self._room < MEBIBYTE else list(self._done)

    def hex(self) -> str:
        """Eight digits a mebibyte, one after the other."""
        return "".join(f"{crc:08x}" for crc in self.values())


class FileDigests:
    """Digests of one file, fed with its bytes from first to last, in any pieces.

    Args:
        audio: (first byte, byte count) of the whole frames, for raw audio; None where the
            audio digest is taken of decoded samples instead (``update_audio``).
        payload_md5: (first byte, byte count) of the data payload, where an MD5 stored in the
            file is to be compared with it.
        also: further algorithms, as hashlib names them, over the whole file.
    """

    def __init__(
        self,
        *,
        audio: tuple[int, int] | None = None,
        payload_md5: tuple[int, int] | None = None,
        decoded_md5: bool = False,
        also: Iterable[str] = (),
    ) -> None:
        self._file = hashlib.sha256()
        self._audio = hashlib.sha256()
        self._md5 = hashlib.md5(usedforsecurity=False)
        self._crcs = MebibyteCrcs()
        self._audio_range = audio
        self._md5_range = payload_md5
        self._decoded_md5 = decoded_md5
        self._also = {name: hashlib.new(name, usedforsecurity=False) for name in also}
        self._has_audio = audio is not None
        self._at = 0

    def update(self, data: memoryview) -> None:
        """Take the next bytes of the file."""
        self._file.update(data)
        self._crcs.update(data)
        for further in self._also.values():
            further.update(data)
        for span, digest in ((self._audio_range, self._audio), (self._md5_range, self._md5)):
            if span is not None:
                first = max(span[0] - self._at, 0)
                last = min(span[0] + span[1] - self._at, len(data))
                if first < last:
                    digest.update(data[first:last])
        self._at += len(data)

    def update_audio(self, pcm: memoryview) -> None:
        """Take decoded PCM, interleaved little-endian whole bytes a sample (RFC 9639, 8.2)."""
        self._has_audio = True
        self._audio.update(pcm)
        if self._decoded_md5:
            self._md5.update(pcm)

    @property
    def bytes_seen(self) -> int:
        return self._at

    @property
    def sha256(self) -> str:
        return self._file.hexdigest()

    @property
    def audio_sha256(self) -> str | None:
        return self._audio.hexdigest() if self._has_audio else None

    @property
    def crc32_mib(self) -> str:
        return self._crcs.hex()

    @property
    def md5(self) -> bytes:
        return self._md5.digest()

    def digest(self, algorithm: str) -> bytes:
        """Of the whole file, by SHA-256 or one of the further algorithms."""
        return (self._file if algorithm == "sha256" else self._also[algorithm]).digest()


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredDigest:
    """A digest that something stored says the audio has."""

    kind: str  # flac-md5 | md5-chunk | a sum file's name and line
    expected: bytes
    found: bytes | None
    file: str | None = None  # within a track set


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreadList:
    """A sum file beside the capture that says nothing of it, though it may have been meant to.

    ``lines_only``: it could be read; nothing but some of its lines says nothing.
    """

    name: str  # as for people
    why: str
    lines_only: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What an earlier report holds of a file."""

    at: str
    sha256: str
    audio_sha256: str | None
    crc32_mib: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A file as read now, and the record that counts for it, if there is one."""

    name: str
    sha256: str
    audio_sha256: str | None
    crc32_mib: str
    bytes: int
    record: Record | None


def judge(
    files: Sequence[Compared],
    stored: Sequence[StoredDigest | UnreadList],
    *,
    stored_expected: bool,
    done_again: Collection[str] = (),
) -> Outcome:
    """Findings and measures of the checksum check.

    Args:
        files: each file of the capture against its earlier record.
        stored: digests found inside or beside the files, and lists that should hold some.
        stored_expected: the transfer sheet asks for a stored digest.
        done_again: digests of takes that a person wanted done again, and that these files are not:
            a list that names one of them speaks of that take.
    """
    findings = [
        _altered(file, several=len(files) > 1)
        for file in files
        if file.record is not None and _differs(file)
    ]
    findings += [
        _unread_list(item)
        for item in dict.fromkeys(item for item in stored if isinstance(item, UnreadList))
    ]
    digests = [item for item in stored if isinstance(item, StoredDigest)]
    lines = []
    for item in digests:
        agrees = _agrees(item)
        expected = item.expected.hex()
        lines.append(
            StoredDigestLine(
                kind=item.kind,
                expected=expected,
                found=item.found.hex() if item.found is not None else None,
                agrees=agrees,
            )
        )
        if agrees is False and item.found is not None:
            former = item.kind not in _WITH_THE_AUDIO and expected in done_again
            findings.append(
                Finding(
                    check="checksum",
                    kind="stored-digest",
                    verdict=Verdict.CLEAR if former else Verdict.REDO,
                    remedy=Remedy.NONE if former else Remedy.RECOPY,
                    text=_of_former_take(item.kind) if former else _not_as_stored(item.kind),
                    values={
                        "digest": item.kind,
                        "expected": expected,
                        "found": item.found.hex(),
                        "file": item.file,
                    },
                )
            )
    if stored_expected and not digests:
        findings.append(
            Finding(
                check="checksum",
                kind="sum-missing",
                verdict=Verdict.LISTEN,
                remedy=Remedy.MEND,
                text="The transfer sheet asks for a digest stored with the capture, "
                "and there is none.",
            )
        )
    return Outcome(findings=tuple(findings), measures=ChecksumMeasures(stored=tuple(lines)))


def _unread_list(item: UnreadList) -> Finding:
    return Finding(
        check="checksum",
        kind="list-unread",
        verdict=Verdict.CLEAR if item.lines_only else Verdict.LISTEN,
        remedy=Remedy.NONE if item.lines_only else Remedy.MEND,
        text=f"The sum file {item.name} beside the capture says nothing of it: {item.why}. "
        "What it may hold was not compared.",
        values={"list": item.name, "why": item.why},
    )


_WITH_THE_AUDIO: Final = ("flac-md5", "md5-chunk")  # kinds; all others are lines of sum files


def _of_former_take(kind: str) -> str:
    return (
        f"The digest that a sum file beside it lists ({kind}) is that of a take that a person "
        "wanted done again, and says nothing of this one. Make the list anew when this one is to "
        "be kept."
    )


def _not_as_stored(kind: str) -> str:
    if kind in _WITH_THE_AUDIO:
        return (
            f"The audio does not have the digest stored with it ({kind}): it is not what was "
            "written. Fetch the file again from where it was recorded."
        )
    return (
        f"The file does not have the digest that a sum file beside it lists ({kind}). Fetch the "
        "file again from where it was recorded; if the change was meant, or this is another take, "
        "the list is to be made anew."
    )


def _differs(file: Compared) -> bool:
    return file.record is not None and file.record.sha256 != file.sha256


def _agrees(item: StoredDigest) -> bool | None:
    """Whether a stored MD5 is the one found, in either byte order.

    A public reader takes an ``MD5 `` chunk as a 128-bit little-endian number, so writers of
    both orders exist (common practice; no clause was found).
    """
    if item.found is None:
        return None
    orders = (item.expected, item.expected[::-1]) if item.kind == "md5-chunk" else (item.expected,)
    return item.found in orders


def changed_mebibytes(before: str, now: str) -> list[int]:
    """Numbers of the mebibytes whose CRC-32 differs, from two ``crc32_mib`` texts.

    A mebibyte that only one of them has counts as changed.
    """
    old = [before[i : i + 8] for i in range(0, len(before), 8)]
    new = [now[i : i + 8] for i in range(0, len(now), 8)]
    same = min(len(old), len(new))
    changed = [i for i in range(same) if old[i] != new[i]]
    return changed + list(range(same, max(len(old), len(new))))


def _altered(file: Compared, *, several: bool) -> Finding:
    record = file.record
    assert record is not None
    audio_same = (
        record.audio_sha256 == file.audio_sha256
        if record.audio_sha256 is not None and file.audio_sha256 is not None
        else None
    )
    changed = changed_mebibytes(record.crc32_mib, file.crc32_mib) if record.crc32_mib else []
    what = {
        True: "The audio is the same, but the rest of the file changed",
        False: "The audio itself changed",
        None: "The content changed",
    }[audio_same]
    which = f"{file.name}: " if several else ""
    return Finding(
        check="checksum",
        kind="altered",
        verdict=Verdict.REDO,
        remedy=Remedy.RECOPY,
        text=f"{which}{what} since the record of {record.at}. If nobody meant to change it, fetch "
        "the file again from a good copy; if it was meant, sign it off.",
        values={
            "file": file.name,
            "recorded_at": record.at,
            "sha256_before": record.sha256,
            "sha256_now": file.sha256,
            "audio_same": audio_same,
            "mebibytes": changed[:64],
            "count": len(changed),
            "listed": min(len(changed), 64),
        },
    )
