"""Digests against published vectors, any cut, and what a change is called."""

from __future__ import annotations

import hashlib
import zlib
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.checksum import (
    MEBIBYTE,
    Compared,
    FileDigests,
    MebibyteCrcs,
    Record,
    StoredDigest,
    changed_mebibytes,
    judge,
)
from checks.model import Verdict

# FIPS 180-4 / NIST example values, as in the GNU coreutils test suite
SHA256 = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]
# RFC 1321, appendix A.5
MD5 = [
    (b"", "d41d8cd98f00b204e9800998ecf8427e"),
    (b"a", "0cc175b9c0f1b6a831c399e269772661"),
    (b"abc", "900150983cd24fb0d6963f7d28e17f72"),
    (b"message digest", "f96b697d7cb7938d525a2f31aaf161d0"),
]


@pytest.mark.parametrize(("data", "digest"), SHA256)
@pytest.mark.parametrize("piece", [1, 4096, 1 << 20])
def test_sha256_vectors(data: bytes, digest: str, piece: int) -> None:
    if piece == 1 and len(data) > 10_000:
        data, digest = data[:10_000], hashlib.sha256(data[:10_000]).hexdigest()
    digests = FileDigests(audio=(0, len(data)))
    for at in range(0, len(data), piece):
        digests.update(memoryview(data)[at : at + piece])
    assert digests.sha256 == digest
    assert digests.audio_sha256 == digest


@pytest.mark.parametrize(("data", "digest"), MD5)
def test_md5_vectors(data: bytes, digest: str) -> None:
    digests = FileDigests(payload_md5=(3, len(data)))
    for at in range(len(data) + 5):
        digests.update(memoryview(b"xyz" + data + b"zz")[at : at + 1])
    assert digests.md5.hex() == digest


def test_crc32_check_value() -> None:
    crcs = MebibyteCrcs()
    crcs.update(memoryview(b"123456789"))
    assert crcs.hex() == "cbf43926"  # ISO 3309 / ITU-T V.42 check value of CRC-32


@given(st.lists(st.integers(0, 3 * MEBIBYTE), max_size=5))
def test_cuts_change_no_digest(cuts: list[int]) -> None:
    data = bytes(range(256)) * (MEBIBYTE * 5 // 512)  # 2.5 MiB
    whole = FileDigests(audio=(44, len(data) - 100))
    whole.update(memoryview(data))
    parts = FileDigests(audio=(44, len(data) - 100))
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    for a, b in pairwise(edges):
        parts.update(memoryview(data)[a:b])
    assert (parts.sha256, parts.audio_sha256, parts.crc32_mib) == (
        whole.sha256,
        whole.audio_sha256,
        whole.crc32_mib,
    )
    assert whole.audio_sha256 == hashlib.sha256(data[44:-56]).hexdigest()
    expected = [zlib.crc32(data[at : at + MEBIBYTE]) for at in range(0, len(data), MEBIBYTE)]
    assert whole.crc32_mib == "".join(f"{crc:08x}" for crc in expected)


def test_changed_mebibytes_names_each_and_what_only_one_side_has() -> None:
    assert changed_mebibytes("0000000111111111", "0000000111111112") == [1]
    assert changed_mebibytes("0000000111111111", "00000001") == [1]
    assert changed_mebibytes("00000001", "0000000122222222") == [1]
    assert changed_mebibytes("", "") == []


def _compared(sha: str, audio: str, record: Record | None) -> Compared:
    return Compared(
        name="take.wav", sha256=sha, audio_sha256=audio, crc32_mib="", bytes=1, record=record
    )


@pytest.mark.parametrize(
    ("audio_now", "audio_same"), [("same", True), ("other", False)], ids=["metadata", "audio"]
)
def test_altered_says_whether_it_is_the_audio(audio_now: str, audio_same: bool) -> None:
    record = Record(at="2026-01-01T00:00:00+00:00", sha256="old", audio_sha256="same")
    outcome = judge([_compared("new", audio_now, record)], [], stored_expected=False)
    assert [(f.kind, f.verdict) for f in outcome.findings] == [("altered", Verdict.REDO)]
    assert outcome.findings[0].values["audio_same"] is audio_same


def test_unchanged_and_unrecorded_say_nothing() -> None:
    record = Record(at="2026-01-01T00:00:00+00:00", sha256="same", audio_sha256="x")
    files = [_compared("same", "x", record), _compared("new", "y", None)]
    assert judge(files, [], stored_expected=False).findings == ()


@pytest.mark.parametrize(
    ("kind", "expected", "agrees"),
    [
        ("flac-md5", b"\x01" + bytes(15), True),
        ("flac-md5", bytes(15) + b"\x01", False),
        ("md5-chunk", bytes(15) + b"\x01", True),  # both byte orders are in use: common practice
        ("md5-chunk", b"\x02" + bytes(15), False),
    ],
)
def test_stored_digest(kind: str, expected: bytes, agrees: bool) -> None:
    stored = StoredDigest(kind=kind, expected=expected, found=b"\x01" + bytes(15))
    outcome = judge([], [stored], stored_expected=True)
    assert outcome.measures.stored[0].agrees is agrees
    assert [f.kind for f in outcome.findings] == ([] if agrees else ["stored-digest"])


def test_missing_stored_digest_asks_to_be_mended_only_where_the_sheet_asks() -> None:
    assert [f.kind for f in judge([], [], stored_expected=True).findings] == ["sum-missing"]
    assert judge([], [], stored_expected=False).findings == ()
