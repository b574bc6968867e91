"""Containers: files made to hang, crash or mislead a reader, and storage that fails."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from container_files import UNKNOWN, Held, Sparse, aiff, caf, chunk, fmt, rf64, riff, w64, w64_chunk
from container_kit import AUDIO, plain

from checks.container import ContainerLimits, parse


class FarChunks:
    """Twenty thousand chunks, 100,000 bytes apart."""

    size = 12 + 20_000 * 100_000

    def __init__(self) -> None:
        self.bytes_read = 0

    def read_at(self, offset: int, count: int) -> bytes:
        self.bytes_read += count
        out = bytearray(count)
        if offset < 12:
            out[:12] = riff([], size=0)[offset:12].ljust(12, b"\0")
            offset, shift = 12, 12 - offset
        else:
            shift = 0
        first = -(-(offset - 12) // 100_000) * 100_000 + 12 - offset + shift
        for at in range(first, count, 100_000):
            head = b"abcd" + struct.pack("<I", 100_000 - 8)
            out[at : at + 8] = head[: count - at]
        return bytes(out)


HOSTILE: dict[str, Any] = {
    "zero align": Held(riff([fmt(align=0, bits=0), chunk(b"data", AUDIO)])),
    "a million tiny chunks": Sparse(
        12 + 8_000_000, {0: riff([], size=8_000_004) + chunk(b"abcd", b"") * 1_000_000}
    ),
    "ten thousand far chunks": FarChunks(),
    "ten thousand data chunks": Held(riff([fmt(), *[chunk(b"data", b"")] * 10_500])),
    "ten thousand xml chunks": Held(riff([fmt(), *[chunk(b"iXML", bytes(2000))] * 10_500])),
    "table of 2^32 entries": Held(
        riff(
            [chunk(b"ds64", struct.pack("<QQQI", 0, 0, 0, UNKNOWN) + bytes(12 * 4_000)), fmt()],
            magic=b"RF64",
        )
    ),
    "exabytes": Sparse(2**62, {0: plain()}),
    "exabytes of rf64": Sparse(2**62, {0: rf64(b"", frames=2**62, data_size=2**63)}),
    "w64 sizes that overflow": Held(w64(AUDIO, data=2**63, size=2**64 - 1)),
    "w64 chunk of size 0": Held(w64(AUDIO, behind=w64_chunk(b"junk", b"", size=0) * 50)),
    "caf negative chunk": Held(caf(AUDIO, behind=b"free" + struct.pack(">q", -12))),
    "caf 2^32 tracks": Held(caf(AUDIO, channels=UNKNOWN, packet=UNKNOWN)),
    "caf huge packet": Held(caf(AUDIO, packet=UNKNOWN)),
    "aiff offset": Held(aiff(AUDIO, frames=1000).replace(bytes(8), b"\xff" * 8, 1)),
    "aiff negative tracks": Held(aiff(AUDIO, frames=1000, channels=-1)),
    "dsf of 2^64 bytes": Held(
        b"DSD "
        + struct.pack("<QQQ", 28, 2**64 - 1, 0)
        + b"fmt "
        + b"\xff" * 48
        + b"data"
        + b"\xff" * 8
    ),
    "dsdiff sizes": Held(b"FRM8" + b"\xff" * 8 + b"DSD " + (b"PROP" + b"\xff" * 8 + b"SND ") * 900),
    "flac metadata": Held(b"fLaC" + (b"\x02" + (4).to_bytes(3, "big") + b"abcd") * 20_000),
    "zeros": Sparse(100 * 2**30, {}),
    "flac then zeros": Sparse(
        100 * 2**30,
        {0: b"fLaC\x80\x00\x00\x22" + bytes.fromhex("10001000000000000000") + b"\x0a\xc4\x42\xf0"},
    ),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_file_ends_in_a_finding_cheaply(name: str) -> None:
    source = HOSTILE[name]
    layout = parse(source, ContainerLimits(flac_gap_mib=4))
    assert layout.findings
    assert all(f.kind != "not-run" for f in layout.findings)
    assert len(layout.findings) < 20
    assert len(layout.chunks) <= 200
    assert source.bytes_read < 80_000_000
    assert layout.found_frames is None or layout.found_frames < 2**63


def test_storage_errors_pass_through() -> None:
    class Broken:
        size = 1000

        def read_at(self, offset: int, count: int) -> bytes:
            raise OSError(5, "Input/output error")

    with pytest.raises(OSError, match="Input/output"):
        parse(Broken())


@pytest.mark.parametrize("head", [b"RIFF", b"RF64\xff\xff", b"BW64\x00\x00\x00\x00WAV", b"FORM"])
def test_a_header_that_ends_at_once_is_no_text(head: bytes) -> None:
    (found,) = [f for f in parse(Held(head)).findings if f.kind != "clock"]
    assert found.kind in ("unreadable", "unsupported")
    assert "text" not in found.text
    assert f"{len(head)} bytes" in found.text
