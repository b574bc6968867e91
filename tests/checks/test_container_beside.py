"""Containers: what stands beside the audio. Time and loudness, XML, track numbers, a digest."""

from __future__ import annotations

import struct
import tracemalloc
from datetime import datetime
from itertools import pairwise

import pytest
from container_files import Held, bext, chunk, fmt, riff
from container_kit import AUDIO, kinds

from checks.container import parse
from checks.model import Verdict


def test_what_bext_holds() -> None:
    """EBU Tech 3285 v2: an hour at 96 kHz is 345,600,000; 0x7FFF is a loudness not set."""
    part = bext(time_reference=345_600_000, description=b"side a", history=b"A=ANALOGUE\r\n")
    assert len(part) == 8 + 602 + 12
    layout = parse(Held(riff([part, fmt(), chunk(b"data", AUDIO)])))
    assert layout.findings == ()
    line = layout.bext
    assert line is not None
    assert (line.time_reference, line.version) == (345_600_000, 2)
    assert (line.loudness_lufs, line.max_true_peak_dbtp, line.umid) == (None, None, None)
    assert (line.description, line.originator) == ("side a", "recorder")
    assert line.coding_history == "A=ANALOGUE\r\n"


def test_bext_loudness_and_umid_by_version() -> None:
    values = (-2300, 500, -120, 0x7FFF, -2100)
    made = {v: bext(version=v, loudness=values, umid=b"\x06\x0a" + bytes(30)) for v in (0, 1, 2)}
    lines = {v: parse(Held(riff([p, fmt(), chunk(b"data", AUDIO)]))).bext for v, p in made.items()}
    assert lines[0] is not None
    assert lines[1] is not None
    assert lines[2] is not None
    assert (lines[2].loudness_lufs, lines[2].loudness_range_lu) == (-23.0, 5.0)
    assert (lines[2].max_momentary_lufs, lines[2].max_short_term_lufs) == (None, -21.0)
    assert (lines[1].loudness_lufs, lines[0].umid) == (None, None)
    assert (lines[1].umid or "").startswith("060a00")


@pytest.mark.parametrize(
    ("modified", "told"),
    [
        (datetime(2026, 1, 31, 5, 12, 10), []),
        (datetime(2026, 2, 1, 4), []),
        (datetime(2026, 2, 3), ["clock"]),
        (datetime(2025, 12, 1), ["clock"]),
        (None, []),
    ],
)
def test_a_time_of_the_file_far_from_that_in_bext_is_told(
    modified: datetime | None, told: list[str]
) -> None:
    source = Held(riff([bext(), fmt(), chunk(b"data", AUDIO)]))
    layout = parse(source, modified=modified)
    assert [f.kind for f in layout.findings] == told
    assert all(f.verdict is Verdict.CLEAR for f in layout.findings)


@pytest.mark.parametrize("date", [b"2026-13-01", b"2026-02-30", b"garbage...", b"0000-00-00"])
def test_date_that_does_not_exist(date: bytes) -> None:
    layout = parse(Held(riff([bext(date=date), fmt(), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("clock", "clear", "none")]


def test_a_recording_dated_to_the_last_second_that_there_is_is_read() -> None:
    """What recorders without a clock write; a calendar has no moment after its length."""
    part = bext(date=b"9999-12-31", time=b"23:59:59")
    source = Held(riff([part, fmt(rate=1), chunk(b"data", AUDIO)]))
    layout = parse(source, modified=datetime(2026, 1, 31))
    assert "clock" in [f.kind for f in layout.findings]
    assert (layout.raw, layout.found_frames) == (True, 1000)


def test_time_reference_beyond_midnight() -> None:
    layout = parse(Held(riff([bext(time_reference=86_400 * 96_000), fmt(), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("clock", "clear", "none")]


def test_short_bext() -> None:
    layout = parse(Held(riff([chunk(b"bext", bytes(500)), fmt(), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]
    assert layout.bext is None


IXML = b'<?xml version="1.0" encoding="UTF-8"?><!-- a --><BWFXML><TAKE>3</TAKE></BWFXML>'


@pytest.mark.parametrize(
    ("name", "text", "sound"),
    [
        (b"iXML", IXML, True),
        (b"iXML", IXML + bytes(30_000), True),
        (b"iXML", b"\xef\xbb\xbf" + IXML + b"\r\n", True),
        (b"iXML", b"\xff\xfe" + IXML.decode().encode("utf-16-le"), True),
        (b"iXML", IXML.decode().encode("utf-16-be"), True),
        (b"iXML", b"<BWFXML/>", True),
        (b"iXML", IXML[:-4], False),
        (b"iXML", b"<OTHER></OTHER>", False),
        (b"iXML", bytes(100), False),
        (b"iXML", b"no xml at all", False),
        (b"axml", b"<ebuCoreMain></ebuCoreMain>", True),
        (b"axml", b"<ebuCoreMain><a>", False),
    ],
)
def test_xml_is_looked_at_but_not_parsed(name: bytes, text: bytes, sound: bool) -> None:
    layout = parse(Held(riff([fmt(), chunk(b"data", AUDIO), chunk(name, text)])))
    assert kinds(layout) == ([] if sound else [("bad-chunk", "listen", "mend")])


def test_entity_bomb_is_not_set_off() -> None:
    """Each entity is ten of the one before: expanded, "j" would be 10 GB (billion laughs)."""
    steps = "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in pairwise("abcdefghij"))
    bomb = f'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">{steps}]><BWFXML>&j;</BWFXML>'.encode()
    source = Held(riff([fmt(), chunk(b"data", AUDIO), chunk(b"iXML", bomb)]))
    tracemalloc.start()
    try:
        layout = parse(source)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 10_000_000
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]  # iXML has no document type
    assert layout.found_frames == len(AUDIO) // layout.block_align


@pytest.mark.parametrize(
    ("count", "tracks", "sound"),
    [
        (2, [1, 2], True),
        (1, [1, 0], True),  # room for more than is used
        (3, [1, 2], False),
        (2, [1, 3], False),
    ],
)
def test_chna_names_tracks_that_are_there(count: int, tracks: list[int], sound: bool) -> None:
    """ITU-R BS.2088-1: 40 bytes an entry, tracks counted from 1."""
    payload = struct.pack("<HH", len(tracks), count)
    payload += b"".join(struct.pack("<H", track) + bytes(38) for track in tracks)
    layout = parse(Held(riff([fmt(), chunk(b"chna", payload), chunk(b"data", AUDIO)])))
    assert kinds(layout) == ([] if sound else [("bad-chunk", "listen", "mend")])


def test_md5_chunk_is_read() -> None:
    digest = bytes(range(16))
    layout = parse(Held(riff([fmt(), chunk(b"data", AUDIO), chunk(b"MD5 ", digest)])))
    assert (layout.md5_chunk, layout.findings) == (digest, ())
    short = parse(Held(riff([fmt(), chunk(b"data", AUDIO), chunk(b"MD5 ", b"abc")])))
    assert short.md5_chunk is None
    assert kinds(short) == [("bad-chunk", "listen", "mend")]
