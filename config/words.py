"""How mistakes are put into words: places, quoted text that can do no harm, ranges with units.

Text from a file is hostile until shown: a name may hold terminal escapes, line breaks that forge
a second message, or a megabyte of one letter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

SHOWN_CHARACTERS: Final = 60  # common practice: a quoted value shares its line with the message
SHOWN_KEY: Final = 120  # longer than any dotted key of ours
LISTED_MISTAKES: Final = 100  # common practice: more than a person mends in one go

# Longest endings first: "read_limit_mb_s" is MB/s, not s.
_UNITS: Final = (
    ("mb_s", "MB/s"),
    ("cm_s", "cm/s"),
    ("db_s", "dB/s"),
    ("dbfs", "dBFS"),
    ("dbtp", "dBTP"),
    ("samples", "samples"),
    ("frames", "frames"),
    ("percent", "%"),
    ("arcmin", "minutes of arc"),
    ("sigma", "sigma"),
    ("days", "days"),
    ("bytes", "bytes"),
    ("bits", "bits"),
    ("khz", "kHz"),
    ("mib", "MiB"),
    ("lsb", "LSB"),
    ("deg", "degrees"),
    ("mb", "MB"),
    ("hz", "Hz"),
    ("db", "dB"),
    ("ms", "ms"),
    ("us", "us"),
    ("mm", "mm"),
    ("s", "s"),
    ("h", "h"),
)


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """Where something stands. Lines count from 1; 0 means the file as a whole."""

    file: str
    line: int = 0


@dataclass(frozen=True, slots=True, order=True)
class Mistake:
    """One mistake; as text ``file:line: key: what is wrong, what is allowed``."""

    place: Place
    key: str
    text: str

    def __str__(self) -> str:
        line = f":{self.place.line}" if self.place.line else ""
        key = f"{shortened(self.key, SHOWN_KEY)}: " if self.key else ""
        return f"{escaped(self.place.file)}{line}: {key}{self.text}"


def listed(mistakes: Iterable[Mistake]) -> tuple[str, ...]:
    """Mistakes as lines of text, by file and line, each once, a long list cut and counted."""
    ordered = sorted(set(mistakes))
    lines = [str(mistake) for mistake in ordered[:LISTED_MISTAKES]]
    if len(ordered) > LISTED_MISTAKES:
        lines.append(f"and {len(ordered) - LISTED_MISTAKES} more mistakes")
    return tuple(lines)


def escaped(text: str) -> str:
    """The text with all that is not printable, and the backslash, written as escapes."""
    return "".join(
        ch if ch.isprintable() and ch != "\\" else ch.encode("unicode_escape").decode()
        for ch in text
    )


def shortened(text: str, limit: int) -> str:
    """The text escaped, its middle cut when it is longer than ``limit`` characters."""
    if len(text) <= limit:
        return escaped(text)
    half = limit // 2
    return f"{escaped(text[:half])} ... {escaped(text[-half:])}"


def quoted(text: str) -> str:
    """The text as it may stand in a message: in quotes, escaped, its middle cut when long."""
    length = f" ({len(text)} characters)" if len(text) > SHOWN_CHARACTERS else ""
    return f"'{shortened(text, SHOWN_CHARACTERS)}'{length}"


def unit(key: str) -> str:
    """The unit that the end of a key names, or an empty string."""
    last = key.rpartition(".")[2]
    return next((u for end, u in _UNITS if last == end or last.endswith(f"_{end}")), "")


def number(value: float) -> str:
    """A bound as people write it: whole numbers without a point or an exponent."""
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """Allowed range; None is open."""

    ge: float | None = None
    gt: float | None = None
    le: float | None = None
    lt: float | None = None

    def text(self, key: str = "") -> str:
        """The range in words with the key's unit; empty where there is none."""
        low = (
            f"at least {number(self.ge)}"
            if self.ge is not None
            else f"more than {number(self.gt)}"
            if self.gt is not None
            else ""
        )
        high = (
            f"at most {number(self.le)}"
            if self.le is not None
            else f"less than {number(self.lt)}"
            if self.lt is not None
            else ""
        )
        if self.ge is not None and self.le is not None:
            words = f"{number(self.ge)} to {number(self.le)}"
        else:
            words = " and ".join(part for part in (low, high) if part)
        return f"{words} {unit(key)}".strip() if words else ""


def closest(word: str, allowed: Sequence[str]) -> str:
    """`` (did you mean 'x'?)`` where one of the allowed words is close; else empty."""
    import difflib  # only for a mistake

    # difflib compares every pair of letters: a hostile word of a megabyte is not worth it
    spelt = {one.lower(): one for one in allowed}
    near = difflib.get_close_matches(word[:SHOWN_CHARACTERS].lower(), list(spelt), 1, 0.6)
    return f" (did you mean '{spelt[near[0]]}'?)" if near else ""
