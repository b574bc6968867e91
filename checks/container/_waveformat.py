"""The ``fmt `` chunk of RIFF/WAVE and Wave64, and what it means for the bytes of the audio.

Layout after the Multimedia Programming Interface and Data Specifications 1.0 (1991) and the
platform documentation of WAVEFORMATEXTENSIBLE: valid bits stand at the top of the container word,
spare low bits are zero. Where header fields contradict each other, the samples decide.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from typing import Final

from checks.container._draft import Draft, Window, unsupported
from checks.container._evidence import roughness
from checks.container._format import (
    FLOAT_BYTES,
    MAX_RATE_HZ,
    PCM_BYTES,
    SampleFormat,
    outside_limits,
)
from checks.container._justify import place_bits
from checks.model import Encoding, Verdict

PCM: Final = 0x0001
IEEE_FLOAT: Final = 0x0003
ALAW: Final = 0x0006
MULAW: Final = 0x0007
EXTENSIBLE: Final = 0xFFFE
# WAVEFORMATEXTENSIBLE: a sub-format is a format tag with this tail; the second tail is the one
# of the ambisonic B-format (from memory).
_GUID_TAILS: Final = (
    bytes.fromhex("000000001000800000aa00389b71"),
    bytes.fromhex("00002107d3118644c8c1ca000000"),
)
# Names of the registered format tags met in practice; from memory.
_NAMES: Final = {
    0x0002: "MS ADPCM",
    0x0011: "IMA ADPCM",
    0x0016: "G.723 ADPCM",
    0x0031: "GSM 6.10",
    0x0040: "G.721 ADPCM",
    0x0050: "MPEG",
    0x0055: "MP3",
    0x0092: "AC-3 (S/PDIF)",
    0x00FF: "AAC",
    0x0161: "WMA",
    0x2000: "AC-3",
    0xF1AC: "FLAC",
}
# Of these, those that libsndfile 1.2 may decode (its documentation of formats).
_DECODED: Final = frozenset({0x0002, 0x0011, 0x0031, 0x0038, 0x0040, 0x0050, 0x0055})


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveFormat:
    """The fields as they stand in the chunk."""

    tag: int
    channels: int
    rate_hz: int
    byte_rate: int
    block_align: int
    bits: int
    valid_bits: int
    extensible: bool = False
    known_guid: bool = True


def read_wave_format(payload: bytes, *, big_endian: bool) -> WaveFormat | None:
    """The chunk's fields; None where it is too short to hold them (14 bytes)."""
    order = ">" if big_endian else "<"
    if len(payload) < 14:
        return None
    tag, channels, rate, byte_rate, align = struct.unpack_from(f"{order}HHIIH", payload)
    bits = struct.unpack_from(f"{order}H", payload, 14)[0] if len(payload) >= 16 else 0
    valid = bits
    known = True
    extensible = tag == EXTENSIBLE
    if extensible:
        if len(payload) >= 20:
            valid = struct.unpack_from(f"{order}H", payload, 18)[0] or bits
        if len(payload) >= 40:
            tag = struct.unpack_from(f"{order}H", payload, 24)[0]
            known = payload[26:40] in _GUID_TAILS
        else:
            tag = PCM
    return WaveFormat(
        tag=tag,
        channels=channels,
        rate_hz=rate,
        byte_rate=byte_rate,
        block_align=align,
        bits=bits,
        valid_bits=valid,
        extensible=extensible,
        known_guid=known,
    )


def settle_wave_format(
    draft: Draft, wave: WaveFormat, start: int, length: int, *, big_endian: bool
) -> None:
    """Turn the chunk into a sample format, report what contradicts itself.

    ``start`` and ``length``: the bytes of audio that are there.
    """
    rate = _rate(draft, wave)
    base = SampleFormat(
        coding=_coding(wave),
        rate_hz=rate,
        channels=wave.channels,
        word_length=wave.valid_bits,
        big_endian=big_endian,
    )
    wrong = outside_limits(wave.channels, rate)
    if wrong is not None:
        draft.fmt = SampleFormat(coding=base.coding)
        draft.add("unreadable", f"The header claims {wrong}; fetch the file again.")
        return
    if not wave.known_guid or wave.tag not in (PCM, IEEE_FLOAT):
        encoding = {ALAW: Encoding.ALAW, MULAW: Encoding.ULAW}.get(wave.tag, Encoding.OTHER)
        draft.fmt = replace(base, encoding=encoding if wave.known_guid else Encoding.OTHER)
        if not wave.known_guid or (wave.tag not in _DECODED and encoding is Encoding.OTHER):
            unsupported(draft)
        return
    floating = wave.tag == IEEE_FLOAT
    allowed = FLOAT_BYTES if floating else PCM_BYTES
    base = replace(base, encoding=Encoding.FLOAT if floating else Encoding.PCM)
    width = _width(draft, wave, base, allowed, start, length)
    if width not in allowed:
        draft.fmt = base
        unsupported(draft, f" of {wave.bits} bits in words of {width} bytes")
        return
    fmt = replace(
        base,
        word_length=_word_length(draft, wave, width),
        sample_bytes=width,
        block_align=width * wave.channels,
        signed=floating or width > 1,
        raw=True,
    )
    place_bits(draft, fmt, start, length)


def _coding(wave: WaveFormat) -> str:
    if not wave.known_guid:
        return "unknown sub-format"
    names = {PCM: "PCM", IEEE_FLOAT: "float", ALAW: "A-law", MULAW: "mu-law"} | _NAMES
    return names.get(wave.tag, f"format tag 0x{wave.tag:04X}")


def _rate(draft: Draft, wave: WaveFormat) -> int:
    """The rate, or the one that the byte rate implies where the field itself is impossible."""
    if 1 <= wave.rate_hz <= MAX_RATE_HZ or not wave.block_align or wave.byte_rate <= 0:
        return wave.rate_hz
    rate, rest = divmod(wave.byte_rate, wave.block_align)
    if rest or not 1 <= rate <= MAX_RATE_HZ or wave.tag not in (PCM, IEEE_FLOAT):
        return wave.rate_hz
    draft.add(
        "bad-chunk",
        f"The header claims a rate of {wave.rate_hz:,} Hz, which cannot be; its byte rate means "
        f"{rate:,} Hz, which is taken: the audio is whole, mend the header.",
        claimed_hz=wave.rate_hz,
        taken_hz=rate,
    )
    return rate


def _word_length(draft: Draft, wave: WaveFormat, width: int) -> int:
    if 0 < wave.valid_bits <= 8 * width:
        return wave.valid_bits
    draft.add(
        "bad-chunk",
        f"The header claims {wave.valid_bits} valid bits in words of {8 * width}; "
        f"{8 * width} are taken: mend the header.",
        claimed_bits=wave.valid_bits,
        taken_bits=8 * width,
    )
    return 8 * width


def _width(
    draft: Draft,
    wave: WaveFormat,
    base: SampleFormat,
    allowed: tuple[int, ...],
    start: int,
    length: int,
) -> int:
    """Bytes a sample occupies, where block align and channels x bits may contradict."""
    stated = -(-wave.bits // 8)
    per_sample, rest = divmod(wave.block_align, wave.channels)
    if not rest and per_sample == stated and stated:
        return stated
    candidates = []
    if stated:
        candidates.append(stated)
    if not rest and per_sample in allowed and per_sample not in candidates:
        candidates.append(per_sample)
    if not candidates:
        return 0
    readable = [width for width in candidates if width in allowed] or candidates
    best = readable[0]
    if len(readable) > 1:
        best = _decide(draft.window, wave, base, readable, start, length)
    draft.add(
        "bad-chunk",
        f"The header contradicts itself: a frame of {wave.block_align} bytes does not go with "
        f"{wave.channels} tracks of {wave.bits} bits; the audio is read as {8 * best} bits a "
        "stored sample, as its size and samples suggest: mend the header.",
        verdict=Verdict.LISTEN,
        block_align=wave.block_align,
        channels=wave.channels,
        bits=wave.bits,
        taken_bytes=best,
    )
    return best


def _decide(
    window: Window,
    wave: WaveFormat,
    base: SampleFormat,
    widths: list[int],
    start: int,
    length: int,
) -> int:
    """The width under which the samples are smoothest; with too few of them, the arithmetic."""
    rough = {
        width: roughness(window, start, length, base, align=width * wave.channels, width=width)
        for width in widths
    }
    known = {width: value for width, value in rough.items() if value is not None}
    if len(known) == len(widths) and base.encoding is Encoding.PCM:
        best = min(known, key=lambda width: known[width])
        if all(known[best] < 0.7 * known[width] for width in widths if width != best):
            return best

    def score(width: int) -> int:
        align = width * wave.channels
        whole = 2 * (length % align == 0)
        said = (align == wave.block_align) + (wave.byte_rate == wave.rate_hz * align)
        return (8 * width >= wave.bits) * 4 + whole + said  # words too narrow only if they sound so

    return max(widths, key=score)
