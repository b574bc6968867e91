"""Containers: files of other writers (libsndfile, SciPy), and damage of every kind done to them.

The peers decide what is there: their frame counts, their samples.
"""

from __future__ import annotations

import io
import struct
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile
from container_files import Held, Sparse, aiff, caf, chunk, fmt, frames24, rf64, riff, w64
from flac_files import frames_of, stream, streaminfo
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from checks.container import Layout, parse
from checks.container._draft import Draft, Window
from checks.container._layout import ContainerLimits
from checks.container._parse import dispatch
from checks.model import Encoding, Verdict

FRAMES: Final = 1_001  # odd: pad bytes are needed
KINDS: Final = {
    "WAV": "wav",
    "WAVEX": "wav",
    "RF64": "rf64",
    "W64": "w64",
    "CAF": "caf",
    "FLAC": "flac",
    "AU": "other",
    "OGG": "other",
    "VOC": "other",
}
# subtype of libsndfile -> encoding, valid bits, bytes of a stored sample
RAW: Final = {
    "PCM_U8": (Encoding.PCM, 8, 1),
    "PCM_S8": (Encoding.PCM, 8, 1),
    "PCM_16": (Encoding.PCM, 16, 2),
    "PCM_24": (Encoding.PCM, 24, 3),
    "PCM_32": (Encoding.PCM, 32, 4),
    "FLOAT": (Encoding.FLOAT, 32, 4),
    "DOUBLE": (Encoding.FLOAT, 64, 8),
}
CODED: Final = {"ALAW": Encoding.ALAW, "ULAW": Encoding.ULAW}


def combinations() -> list[tuple[str, str]]:
    """Containers and codings that libsndfile writes and this program may meet."""
    formats = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC", "AU", "OGG", "VOC")
    return [
        (container, subtype)
        for container in formats
        for subtype in soundfile.available_subtypes(container)
        if soundfile.check_format(container, subtype)
    ]


def write(container: str, subtype: str, channels: int, rate: int, endian: str = "FILE") -> bytes:
    held = io.BytesIO()
    samples = np.random.default_rng(7).normal(0, 0.1, (FRAMES, channels))
    soundfile.write(held, samples, rate, subtype=subtype, endian=endian, format=container)
    return held.getvalue()


def read_raw(data: bytes, layout: Layout) -> NDArray[Any]:
    """Samples from the bytes alone, by what the layout says; float, full scale 1.0."""
    start = layout.audio_offset or 0
    order = ">" if layout.big_endian else "<"
    cells = np.frombuffer(data[start : start + layout.audio_bytes], np.uint8)
    if layout.encoding is Encoding.FLOAT:
        return (
            cells.view(f"{order}f{layout.sample_bytes}").reshape(-1, layout.channels).astype(float)
        )
    cells = cells.reshape(-1, layout.sample_bytes)
    words = np.zeros((len(cells), 4), np.uint8)
    words[:, : layout.sample_bytes] = cells[:, ::-1] if order == "<" else cells
    values = words.view(">i4")[:, 0].astype(np.int64)
    if not layout.signed:
        values = ((values & 0xFFFFFFFF) ^ 0x80000000) - 2**32 * (
            ((values & 0xFFFFFFFF) ^ 0x80000000) >> 31
        )
    return values.reshape(-1, layout.channels) / 2.0**31


@pytest.mark.parametrize(("container", "subtype"), combinations(), ids=lambda text: text)
def test_files_of_libsndfile(container: str, subtype: str) -> None:
    channels = 1 if container in ("OGG", "VOC") or "ADPCM" in subtype or "G7" in subtype else 3
    if subtype in ("GSM610", "DWVW_12", "DWVW_16", "DWVW_24", "MPEG_LAYER_III", "OPUS"):
        channels = 1
    rate = 48_000 if subtype != "GSM610" else 8_000
    try:
        data = write(container, subtype, channels, rate)
    except (soundfile.LibsndfileError, ValueError) as refused:
        pytest.skip(f"libsndfile does not write it: {refused}")
    layout = parse(Held(data))
    peer = soundfile.info(io.BytesIO(data))
    assert layout.findings == ()
    assert layout.complete
    expected = KINDS.get(container) or ("aiff" if data[8:12] == b"AIFF" else "aifc")
    assert layout.kind == expected
    if expected == "other":
        assert (layout.found_frames, layout.raw) == (None, False)
        return
    assert (layout.rate_hz, layout.channels) == (rate, channels)
    if subtype in RAW and container != "FLAC":
        assert layout.raw
        assert (layout.encoding, layout.word_length, layout.sample_bytes) == RAW[subtype]
        assert layout.found_frames == layout.header_frames == peer.frames == FRAMES
        decoded, _ = soundfile.read(io.BytesIO(data), dtype="float64", always_2d=True)
        assert np.array_equal(read_raw(data, layout), decoded)
    else:
        assert not layout.raw
        assert layout.encoding is CODED.get(subtype, layout.encoding)
        assert layout.found_frames in (None, FRAMES)


@pytest.mark.parametrize("container", ["WAV", "AIFF", "CAF"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
@pytest.mark.parametrize("endian", ["LITTLE", "BIG"])
def test_both_byte_orders(container: str, subtype: str, endian: str) -> None:
    try:
        data = write(container, subtype, 2, 96_000, endian)
    except (soundfile.LibsndfileError, ValueError) as refused:
        pytest.skip(f"libsndfile does not write it: {refused}")
    layout = parse(Held(data))
    decoded, _ = soundfile.read(io.BytesIO(data), dtype="float64", always_2d=True)
    assert layout.findings == ()
    assert np.array_equal(read_raw(data, layout), decoded)


@pytest.mark.parametrize("dtype", ["u1", "<i2", "<i4", "<f4", "<f8"])
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_files_of_scipy(dtype: str, channels: int) -> None:
    samples = np.random.default_rng(3).integers(0, 200, (333, channels)).astype(dtype)
    held = io.BytesIO()
    scipy.io.wavfile.write(held, 44_100, samples)
    layout = parse(Held(held.getvalue()))
    unpadded = len(samples.tobytes()) % 2  # SciPy writes no pad byte
    assert [f.kind for f in layout.findings] == ["missing-pad"] * unpadded
    assert (layout.found_frames, layout.channels) == (333, channels)
    start = layout.audio_offset or 0
    assert held.getvalue()[start : start + layout.audio_bytes] == samples.tobytes()


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC"])
@pytest.mark.parametrize("keep", [0.3, 0.7, 0.999])
def test_cut_files_are_told_and_counted(container: str, keep: float) -> None:
    """What the peer can decode of a cut file is never more than is found."""
    data = write(container, "PCM_24", 2, 96_000)
    whole = parse(Held(data))
    audio = (whole.audio_offset or 0) + int(whole.audio_bytes * keep)
    layout = parse(Held(data[:audio]))
    assert [f.kind for f in layout.findings] == ["truncated"]
    assert not layout.complete
    assert layout.header_frames == FRAMES
    if container == "FLAC":
        return
    assert layout.found_frames == int(whole.audio_bytes * keep) // 6


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC"])
def test_file_of_a_writer_that_was_never_closed(container: str, tmp_path: Path) -> None:
    """What lies on disk while libsndfile still writes, or after it was killed: not settled."""
    path = tmp_path / "take"
    random = np.random.default_rng(5)
    with soundfile.SoundFile(path, "w", 96_000, 2, "PCM_24", format=container) as file:
        for _ in range(20):
            file.write(random.normal(0, 0.05, (20_000, 2)))
        data = path.read_bytes()
    layout = parse(Held(data))
    assert not layout.complete
    assert not parse(Held(data), deep=False).complete
    assert {f.kind for f in layout.findings} <= {"unfinalised", "truncated", "size-mismatch"}
    assert Verdict.worst(f.verdict for f in layout.findings) is not Verdict.CLEAR
    closed = parse(Held(path.read_bytes()))
    assert (closed.complete, closed.findings, closed.found_frames) == (True, (), 400_000)
    if container != "FLAC":
        found = layout.found_frames or 0
        assert found >= (len(data) - 5_000) // 6  # all that is on disk is recoverable


# -- anything at all ---------------------------------------------------------------------------

GOOD: Final = {
    "wav": riff([fmt(), chunk(b"data", frames24(50))]),
    "extensible": riff([fmt(bits=32, valid=24), chunk(b"data", frames24(60)[:320])]),
    "rifx": riff([fmt(big=True), chunk(b"data", frames24(50), big=True)], magic=b"RIFX"),
    "rf64": rf64(frames24(50), frames=50, behind=chunk(b"iXML", b"<BWFXML></BWFXML>")),
    "w64": w64(frames24(50)),
    "aiff": aiff(frames24(50), frames=50),
    "aifc": aiff(frames24(50), frames=50, coding=b"sowt"),
    "caf": caf(frames24(50)),
    "flac": stream(streaminfo(frames=200, block=64), frames_of(4, size=64, last=8)),
    "dsf": b"DSD " + struct.pack("<QQQ", 28, 4188, 0) + b"fmt "
    + struct.pack("<QIIIIIIQII", 52, 1, 0, 1, 1, 2_822_400, 1, 32_768, 4096, 0)
    + b"data" + struct.pack("<Q", 4108) + bytes(4096),
    "dsdiff": b"FRM8" + struct.pack(">Q", 100) + b"DSD PROP" + struct.pack(">Q", 34) + b"SND FS  "
    + struct.pack(">QI", 4, 2_822_400) + b"CHNL" + struct.pack(">QH", 6, 1) + b"SLFT"
    + b"DSD " + struct.pack(">Q", 64) + bytes(64),
    "au": b".snd" + struct.pack(">IIIII", 24, 300, 4, 44_100, 1) + bytes(300),
}  # fmt: skip


def unguarded(data: bytes | Held | Sparse) -> Layout:
    """Parse without the net that turns a fault of ours into a finding."""
    source = Held(data) if isinstance(data, bytes) else data
    draft = Draft(Window(source), ContainerLimits(flac_gap_mib=4))
    dispatch(draft, deep=True)
    return draft.freeze()


def plausible(layout: Layout, size: int) -> None:
    """Laws that hold for any content."""
    assert layout.audio_offset is None or 0 <= layout.audio_offset <= size
    assert 0 <= layout.audio_bytes <= size - (layout.audio_offset or 0)
    if layout.raw:
        assert layout.block_align == layout.channels * layout.sample_bytes > 0
        assert 1 <= layout.channels <= 256
        assert 1 <= layout.rate_hz <= 3_100_000
        assert 0 < layout.word_length <= 8 * layout.sample_bytes
        if layout.found_frames:
            assert layout.audio_bytes == layout.found_frames * layout.block_align
    if layout.found_frames == 0:
        assert layout.findings
    if not layout.complete:
        assert layout.findings
    for finding in layout.findings:
        assert finding.text.endswith(".")
        for value in finding.values.values():
            assert value is None or type(value) in (str, int, float, bool, list)


@pytest.mark.parametrize("name", GOOD)
def test_the_good_ones_are_good(name: str) -> None:
    layout = unguarded(GOOD[name])
    told = [f.kind for f in layout.findings]
    assert told == (["unsupported"] if name.startswith("ds") else [])
    assert layout.complete
    plausible(layout, len(GOOD[name]))


@settings(deadline=None, max_examples=300)
@given(data=st.binary(max_size=400))
def test_random_bytes(data: bytes) -> None:
    for front in (b"", b"RIFF\0\0\0\0WAVE", b"RF64\xff\xff\xff\xffWAVE", b"FORM\0\0\0\0AIFC"):
        layout = unguarded(front + data)
        assert layout.findings or layout.kind == "other"
        plausible(layout, len(front + data))
    plausible(unguarded(GOOD["w64"][:40] + data), 40 + len(data))
    plausible(unguarded(b"caff\0\1\0\0" + data), 8 + len(data))
    plausible(unguarded(b"fLaC" + data), 4 + len(data))
    plausible(unguarded(GOOD["flac"][:42] + data), 42 + len(data))
    plausible(unguarded(b"FRM8" + bytes(8) + b"DSD " + data), 16 + len(data))


@settings(deadline=None, max_examples=500)
@given(
    name=st.sampled_from(sorted(GOOD)),
    flips=st.lists(st.tuples(st.integers(0, 255), st.integers(1, 255)), max_size=6),
    cut=st.integers(0, 700),
)
@example(name="wav", flips=[], cut=43)
def test_flips_and_cuts(name: str, flips: list[tuple[int, int]], cut: int) -> None:
    data = bytearray(GOOD[name])
    for at, mask in flips:
        data[at % min(len(data), 160)] ^= mask
    data = data[: max(0, len(data) - cut)]
    plausible(unguarded(bytes(data)), len(data))


@settings(deadline=None, max_examples=300)
@given(
    name=st.sampled_from(sorted(GOOD)),
    at=st.integers(0, 160),
    word=st.sampled_from([bytes(4), b"\xff" * 4, b"\xff" * 8, bytes(8), b"\x7f" + b"\xff" * 7]),
    size=st.sampled_from([0, 2**20, 2**33, 2**62]),
)
def test_extreme_numbers_in_files_of_any_size(name: str, at: int, word: bytes, size: int) -> None:
    data = bytearray(GOOD[name])
    data[at : at + len(word)] = word
    source = Sparse(max(size, len(data)), {0: bytes(data)})
    plausible(unguarded(source), source.size)
    assert source.bytes_read < 12_000_000


@pytest.mark.parametrize("name", sorted(GOOD))
def test_every_cut_is_told(name: str) -> None:
    """Cut anywhere within the audio: never complete, never clear."""
    data = GOOD[name]
    for length in range(len(data)):
        layout = unguarded(data[:length])
        plausible(layout, length)
        start = unguarded(data).audio_offset or 0
        if name in ("flac", "dsf", "au") or length < start + 300:  # else padding, chunks behind
            assert layout.findings, length
            assert not layout.complete or name == "au", length
