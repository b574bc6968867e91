"""Channel count, rate, word length against the sheet; bits that never move; what is no number.

Measured: for PCM the bits of each track's words that ever change (from OR and AND over all
samples, so a bit stuck high in the middle is seen as well as one that is always 0), and those that
stand still for a while (`_still_bits`); for float the samples that are not finite and those beyond
full scale, and the bits where all are words of 24 bits or fewer, as before a change of level they
are. Preferred rates: AES5-2018 and its multiples by two, four and eight.

What this does not prove: a bit that moves may be dither or a converter's own noise; a rate that
the sheet does not name may still be wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from annotated_types import Ge, Le

from checks._bits_report import Bits, named, told_of
from checks._coding import allowed, lossy, misnamed
from checks._levels import bits_of_floats
from checks._places import FirstPlaces, placed
from checks._still_bits import StillBits
from checks._tied_bits import TiedBits
from checks._tied_bits import told_of as told_of_a_tie
from checks.block import Block
from checks.measures import FormatMeasures
from checks.model import CaptureFormat, Finding, Outcome, Remedy, Value, Verdict, lasting, rounded
from checks.sheet import Sheet, TrackKind

# AES5-2018: 48 kHz preferred, 44.1 and 96 kHz for some applications, and their multiples
# (names of the multiples from memory); 32 kHz for transmission is none of a transfer's.
PREFERRED_RATES_HZ: Final = tuple(
    base * factor for base in (44_100, 48_000) for factor in (1, 2, 4, 8)
)
_USUAL_BITS: Final = 24  # common practice for transfers; IASA-TC 04, 2.3
_FEWEST_BITS: Final = 8  # floats of fewer are generated, not recorded: common practice
_FEW: Final = 48  # frames: fewer leave a bit of noise at 0 by chance, once in 2**48 captures
_ENOUGH: Final = 256  # frames: a bit of noise stands still so long once in 2**255 captures


@dataclass(frozen=True, slots=True, kw_only=True)
class FormatLimits:
    """What counts as a track that carries signal, and what as beyond full scale."""

    # Peak above which a track carries signal, so that its unused bits mean something.
    # -200 to 0 dBFS. Source: common practice; hiss of any tape lies far above.
    signal_dbfs: Annotated[float, Ge(-200), Le(0)] = -90.0
    # Level beyond full scale that a float sample may reach without a finding. 0 to 20 dB.
    # Source: common practice; 0 dB, a converter gives nothing beyond full scale.
    over_range_db: Annotated[float, Ge(0), Le(20)] = 0.0
    # Duration under which a capture is told, where the sheet asks for none: nothing in it can be
    # judged. 0 to 3600 s. Source: common practice; no tape is so short.
    short_s: Annotated[float, Ge(0), Le(3600)] = 0.01


class FormatPass:
    """Gathers bits and counts over the capture, and holds the format against the sheet."""

    def __init__(
        self,
        fmt: CaptureFormat,
        sheet: Sheet,
        limits: FormatLimits,
        container: str | None = None,
        ending: str = "",
    ) -> None:
        """``container``: its kind, where it is known; ``ending``: of the file's name."""
        self._fmt = fmt
        self._sheet = sheet
        self._limits = limits
        self._container = container
        self._ending = ending
        self._frames = 0
        self._or = np.zeros(fmt.channels, np.int32)
        self._and = np.full(fmt.channels, -1, np.int32)
        unused = min(max(32 - fmt.word_length, 0), 31)
        # The bits that the header calls valid; of floats those of the words they may have been.
        self._word = np.int32(-1 << (8 if fmt.floating else unused))
        self._length = _USUAL_BITS if fmt.floating else fmt.word_length
        self._all_move = False  # each of them, on every track: no more can be learned
        self._asked = min(sheet.expect.word_length or _USUAL_BITS, self._length)
        self._still = StillBits(tracks=fmt.channels, rate_hz=fmt.rate_hz, bits=self._asked)
        self._tied = TiedBits(fmt)
        self._peak = np.zeros(fmt.channels, np.float64)
        self._bad = FirstPlaces(fmt.channels)
        self._over = FirstPlaces(fmt.channels)
        self._over_peak = 0.0

    def feed(self, block: Block) -> None:
        self._frames += block.frames
        floating = self._fmt.floating
        if not self._all_move:
            self._or |= bits_of_floats(block.scaled) if floating else block.bits_or
            self._and &= 0 if floating else block.bits_and
            moves = (self._or ^ self._and) & self._word
            self._all_move = bool((moves == self._word).all())
        # float64 first: -2**31 has no positive int32
        high = np.maximum(block.peak.astype(np.float64), -block.trough.astype(np.float64))
        np.maximum(self._peak, high / self._fmt.full_scale, out=self._peak)
        if not floating:
            if not self._fmt.lossy:
                self._still.feed(block)
                self._tied.feed(block)
            return
        if not block.all_finite:
            self._bad.add(~np.isfinite(block.samples), block.start)
        ceiling = 10 ** (self._limits.over_range_db / 20)
        if (high > ceiling).any():
            with np.errstate(invalid="ignore"):
                loud = np.abs(block.samples) > ceiling
            loud &= np.isfinite(block.samples)
            self._over.add(loud, block.start)
            highest = np.abs(block.samples[loud]).max(initial=0.0)
            self._over_peak = max(self._over_peak, float(highest))

    # -- decisions ---------------------------------------------------------------------------

    def finish(self) -> Outcome:
        findings = [
            *self._against_sheet(),
            *self._unused_bits(),
            *self._still_for_a_while(),
            *self._tied_together(),
            *self._float_findings(),
        ]
        used = tuple(
            None if self._fmt.floating or not self._frames else self._bits(track).used
            for track in range(self._fmt.channels)
        )
        preferred = self._fmt.rate_hz in PREFERRED_RATES_HZ
        return Outcome(
            findings=tuple(findings),
            measures=FormatMeasures(bits_used=used, rate_is_preferred=preferred),
        )

    def _against_sheet(self) -> list[Finding]:
        expect, fmt = self._sheet.expect, self._fmt
        findings = []
        if expect.rate_hz is not None and fmt.rate_hz != expect.rate_hz:
            text = (
                f"The sampling rate is {fmt.rate_hz / 1000:g} kHz, the sheet asks for "
                f"{expect.rate_hz / 1000:g} kHz: play the tape again at that rate, or put the "
                "sheet right if it is the sheet that is wrong."
            )
            values = {"rate_hz": fmt.rate_hz, "expected_hz": expect.rate_hz}
            findings.append(_asked("rate", Remedy.REPLAY, text, values))
        elif expect.rate_hz is None and fmt.rate_hz not in PREFERRED_RATES_HZ:
            text = f"{fmt.rate_hz / 1000:g} kHz is none of the preferred rates (AES5)."
            findings.append(_note("rate", text, {"rate_hz": fmt.rate_hz}))
        asked = self._sheet.tracks_asked
        few = asked is not None and fmt.channels < asked
        many = expect.channels is not None and fmt.channels > expect.channels
        if few or many:
            what = (
                "play the tape again with all tracks, or put the sheet right"
                if few
                else "see which are not of this tape and put them aside, or put the sheet right"
            )
            there = "is 1 track" if fmt.channels == 1 else f"are {fmt.channels} tracks"
            verb = "names" if expect.channels is None else "asks for"
            text = f"There {there}, the sheet {verb} {asked}: {what}."
            counts: dict[str, Value] = {"channels": fmt.channels, "expected": asked}
            findings.append(_asked("channels", Remedy.REPLAY if few else Remedy.MEND, text, counts))
        if fmt.lossy:
            pass  # no words are stored, see _container_type
        elif expect.word_length is not None and fmt.word_length < expect.word_length:
            text = (
                f"The words have {fmt.word_length} bits, the sheet asks for "
                f"{expect.word_length}: play the tape again with full words."
            )
            values = {"word_length": fmt.word_length, "expected": expect.word_length}
            findings.append(_asked("word-length", Remedy.REPLAY, text, values))
        elif expect.word_length is not None and fmt.word_length > expect.word_length:
            text = f"The words have {fmt.word_length} bits; the sheet asks for fewer, no harm done."
            findings.append(_note("word-length", text, {"word_length": fmt.word_length}))
        elif expect.word_length is None and fmt.word_length < _USUAL_BITS:
            text = f"{fmt.word_length} bits are fewer than the {_USUAL_BITS} usual for a transfer."
            findings.append(_note("word-length", text, {"word_length": fmt.word_length}))
        findings += self._container_type()
        findings += self._duration()
        return findings

    def _container_type(self) -> list[Finding]:
        container, expect = self._container, self._sheet.expect
        if self._fmt.lossy:
            return [lossy(self._fmt.lossy, container, expect)]
        if container is None:
            return []
        if not allowed(container, expect):
            names = ", ".join(name.value for name in expect.containers or ())
            text = f"The container is {container}, the sheet asks for {names}: have it copied over."
            values: dict[str, Value] = {"container": container, "expected": names}
            return [_asked("container-type", Remedy.MEND, text, values)]
        note = misnamed(self._ending, container)
        return [] if note is None else [note]

    def _duration(self) -> list[Finding]:
        expect = self._sheet.expect
        length_s = self._frames / self._fmt.rate_hz
        for limit, wrong, word in (
            (expect.min_duration_s, expect.min_duration_s or 0.0, "at least"),
            (expect.max_duration_s, expect.max_duration_s or 0.0, "at most"),
        ):
            if limit is None or (length_s >= wrong if word == "at least" else length_s <= wrong):
                continue
            lasts = f"{length_s:.1f}" if abs(length_s - limit) >= 0.1 else f"{length_s:.9g}"
            text = (
                f"It lasts {lasts} s, the sheet asks for {word} {limit:g} s: see whether the tape "
                "was played to its end, or put the sheet right."
            )
            values: dict[str, Value] = {"duration_s": rounded(length_s, 3), "limit_s": limit}
            return [_asked("duration", Remedy.REPLAY, text, values)]
        if expect.min_duration_s is None and 0 < length_s < self._limits.short_s:
            return [self._short(length_s)]
        return []

    def _short(self, length_s: float) -> Finding:
        text = (
            f"It lasts {lasting(length_s)}: too short for anything in it to be judged. See "
            "whether the recording broke off at its start."
        )
        return Finding(
            check="format",
            kind="duration",
            verdict=Verdict.LISTEN,
            remedy=Remedy.LISTEN,
            text=text,
            values={"duration_s": rounded(length_s, 6), "limit_s": self._limits.short_s},
        )

    def _bits(self, track: int) -> Bits:
        bits = Bits.of(int(self._or[track]), int(self._and[track]), self._length)
        return bits if self._frames >= _ENOUGH else Bits(bits.used, ())

    def _unused_bits(self) -> list[Finding]:
        """Tracks that carry signal and move fewer bits than asked for, alike ones together."""
        fmt = self._fmt
        if fmt.lossy or self._frames < _FEW:
            return []
        threshold = 10 ** (self._limits.signal_dbfs / 20)
        least = _FEWEST_BITS if fmt.floating else 0  # one value is no signal
        alike: dict[Bits, list[int]] = {}
        for track in self._of_programme():
            bits = self._bits(track)
            carries = self._peak[track] > threshold and bits.used > least
            if carries and (bits.stuck or bits.used < self._length):
                alike.setdefault(bits, []).append(track)
        return [self._unused(bits, tuple(tracks)) for bits, tracks in alike.items()]

    def _still_for_a_while(self) -> list[Finding]:
        """Bits that move on their track, but for a stretch do not."""
        judged = self._of_programme()
        moves = self._or ^ self._and
        return [
            told_of(still, self._fmt, self._asked, self._frames)
            for still in self._still.told(moves, judged)
        ]

    def _tied_together(self) -> list[Finding]:
        """Bits that move, but never apart."""
        ties = self._tied.told(self._of_programme())
        return [told_of_a_tie(tie, tracks, self._fmt, self._frames) for tie, tracks in ties.items()]

    def _of_programme(self) -> list[int]:
        tracks = range(self._fmt.channels)
        return [t for t in tracks if self._sheet.track(t).kind is TrackKind.PROGRAMME]

    def _unused(self, bits: Bits, tracks: tuple[int, ...]) -> Finding:
        asked = self._asked
        values: dict[str, Value] = {
            "bits_used": bits.used,
            "word_length": self._length,
            "expected": asked,
            "stuck_bits": list(bits.stuck),
        }
        if bits.stuck:
            change = "changes" if len(bits.stuck) == 1 else "change"
            text = (
                f"{named(bits.stuck)} of the words never {change} though lower ones do (counted "
                "from the top, the sign is 1): the converter or its connection is faulty; play the "
                "tape again with another."
            )
        else:
            seen = (
                f"The floats hold whole numbers of {bits.used} bits"
                if self._fmt.floating
                else f"Only the upper {bits.used} of {self._length} bits ever change"
            )
            text = (
                f"{seen}, {self._why(asked)}: the words were cut on the way; play the tape again."
            )
        if bits.used >= asked and not bits.stuck:
            text = (
                f"The upper {bits.used} of {self._length} bits change, as the converter "
                "gives them; the rest is always 0."
            )
            return _note("unused-bits", text, values, tracks)
        return Finding(
            check="format",
            kind="unused-bits",
            verdict=Verdict.REDO,
            remedy=Remedy.REPLAY,
            tracks=tracks,
            text=text,
            values=values,
        )

    def _why(self, asked: int) -> str:
        """Where the expectation of so many bits comes from."""
        if self._sheet.expect.word_length is not None:
            return f"the sheet asks for {self._sheet.expect.word_length}"
        if self._fmt.floating:
            return f"though {_USUAL_BITS} are usual for a transfer"
        return "though the header promises them" + (
            f", and {_USUAL_BITS} are usual for a transfer" if asked == _USUAL_BITS else ""
        )

    def _float_findings(self) -> list[Finding]:
        findings = []
        rate = self._fmt.rate_hz
        if self._bad.tracks:
            values = self._bad.values(rate)
            text = (
                f"Samples that are no finite number (NaN or Inf), {values['count']} in all: what "
                "stood there is lost; play the tape again, and find out which program wrote that."
            )
            findings.append(
                placed("not-finite", Verdict.REDO, Remedy.REPLAY, text, self._bad, values)
            )
        if self._over.tracks:
            values = self._over.values(rate)
            peak_db = 20 * np.log10(self._over_peak) if self._over_peak > 0 else 0.0
            values["peak_dbfs"] = rounded(peak_db, 2)
            text = (
                f"Samples beyond full scale, {values['count']} in all, the highest by "
                f"{peak_db:.2f} dB: nothing is lost in this file, but it clips when it is played "
                "or stored as whole numbers; listen, and lower it before."
            )
            findings.append(
                placed("over-range", Verdict.LISTEN, Remedy.LISTEN, text, self._over, values)
            )
        return findings


def _asked(kind: str, remedy: Remedy, text: str, values: Mapping[str, Value]) -> Finding:
    return Finding(
        check="format", kind=kind, verdict=Verdict.REDO, remedy=remedy, text=text, values=values
    )


def _note(kind: str, text: str, values: dict[str, Value], tracks: tuple[int, ...] = ()) -> Finding:
    return Finding(
        check="format",
        kind=kind,
        verdict=Verdict.CLEAR,
        remedy=Remedy.NONE,
        tracks=tracks,
        text=text,
        values=values,
    )
