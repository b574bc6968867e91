"""How the samples of a file are stored, as a header describes them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks.model import Encoding

MAX_CHANNELS: Final = 256  # ours; the largest multitrack formats have 64, no tape has 256
MAX_RATE_HZ: Final = 3_100_000  # ours; 2^6 times 48 kHz, beyond any converter of whole words

PCM_BYTES: Final = (1, 2, 3, 4)  # what the strided reader takes
FLOAT_BYTES: Final = (4, 8)


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFormat:
    """The fields of ``Layout`` of the same names."""

    encoding: Encoding = Encoding.OTHER
    coding: str = ""
    rate_hz: int = 0
    channels: int = 0
    word_length: int = 0
    sample_bytes: int = 0
    block_align: int = 0
    big_endian: bool = False
    signed: bool = True
    left_justified: bool = True
    raw: bool = False

    @property
    def spare_bits(self) -> int:
        """Bits of a stored PCM word that carry no sample."""
        return max(0, 8 * self.sample_bytes - self.word_length)


def outside_limits(channels: int, rate_hz: float) -> str | None:
    """What is impossible about a header's track count or rate, in words; None if nothing."""
    if not 1 <= channels <= MAX_CHANNELS:
        return f"{channels:,} tracks (1 to {MAX_CHANNELS} are possible)"
    if not 1 <= rate_hz <= MAX_RATE_HZ:  # also False for NaN
        return f"a rate of {rate_hz:,} Hz (1 to {MAX_RATE_HZ:,} are possible)"
    return None
