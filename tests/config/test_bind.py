"""Binding: each scalar by its key's type, every mistake at once, text that can do no harm."""

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pytest
import yaml
from annotated_types import Ge, Gt, Le, Lt

from config.bind import bind
from config.hints import Form, hint
from config.text import parse
from config.words import LISTED_MISTAKES, Mistake, Place, escaped, listed, quoted, unit


class Colour(StrEnum):
    RED = "red"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner:
    name: str | None = None
    low: int = 1
    high: int = 9

    def __post_init__(self):
        if self.low > self.high:
            raise ValueError("low must not be above high")


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    hz: Annotated[float, Ge(10), Le(100)]
    dbfs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    word: str = ""
    maybe: str | None = "unset"
    flag: bool = False
    whole: int = 0
    real: float = 0.0
    where: Path | None = None
    colour: Colour = Colour.RED
    quiet_s: Annotated[float, Gt(0), Le(60)] = 1.0
    runs: Annotated[int, Ge(1)] | None = None
    share: Annotated[float, Ge(0), Lt(1)] = 0.5
    at: Annotated[str, Form("a time of day", r"\d\d:\d\d")] = "00:00"
    words: tuple[str, ...] = ()
    pairs: tuple[tuple[int, ...], ...] = ()
    inner: Inner = field(default_factory=Inner)
    tracks: tuple[Inner, ...] = ()
    needs: tuple[Need, ...] = ()
    hidden: object = field(default=None, metadata={"key": False})


def bound(text):
    tree, mistakes = parse(text.encode(), "f.yaml")
    assert tree is not None
    made, more = bind(Target, tree, {Inner: "name"})
    return made, [str(m) for m in sorted(mistakes + more)]


@pytest.mark.parametrize(
    ("key", "text", "expected"),
    [
        # what YAML 1.1 makes of it stands in the test below
        ("word", "no", "no"),
        ("word", "on", "on"),
        ("word", "12:30", "12:30"),
        ("word", "12:30:00", "12:30:00"),
        ("word", "0123", "0123"),
        ("word", "1_000", "1_000"),
        ("word", "0x10", "0x10"),
        ("word", "1.10", "1.10"),
        ("word", "2026-01-31", "2026-01-31"),
        ("word", ".inf", ".inf"),
        ("words", "[no, 12:30, 0123]", ("no", "12:30", "0123")),
        ("at", "12:30", "12:30"),
        ("whole", "0123", 123),
        ("real", "1e-3", 0.001),
        ("real", "1E3", 1000.0),
        ("real", "010", 10.0),
        ("colour", "none", Colour.NONE),
    ],
)
def test_yaml_1_1_traps(key, text, expected):
    made, mistakes = bound(f"{key}: {text}\n")
    assert mistakes == []
    assert getattr(made, key) == expected


@pytest.mark.parametrize(
    ("text", "yaml_1_1"),
    [
        ("no", False),
        ("12:30", 750),
        ("12:30:00", 45_000),
        ("0123", 83),
        ("1_000", 1000),
        ("0x10", 16),
        ("1e-3", "1e-3"),
        ("010", 8),
    ],
)
def test_the_traps_are_real(text, yaml_1_1):
    # YAML 1.1, as PyYAML reads it: why bind.py does not let it
    assert yaml.safe_load(f"x: {text}")["x"] == yaml_1_1


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("flag: no", ("flag", False)),
        ("flag: 'yes'", ("flag", True)),
        ("flag: On", ("flag", True)),
        ("whole: 1_000", ("whole", 1000)),
        ("whole: '7'", ("whole", 7)),
        ("whole: +5", ("whole", 5)),
        ("real: 3", ("real", 3.0)),
        ("maybe:", ("maybe", None)),
        ("maybe: ~", ("maybe", None)),
        ("maybe: 'null'", ("maybe", "null")),
        ("maybe: ''", ("maybe", "")),
        ("where: ~/captures", ("where", Path("~/captures"))),
        ("runs: null", ("runs", None)),
        ("inner:", ("inner", Inner())),
        ("inner: {}", ("inner", Inner())),
        ("words: []", ("words", ())),
        ("pairs: [[1, 2], [03, 4]]", ("pairs", ((1, 2), (3, 4)))),
        ("tracks: [left, {name: 12:30, low: 2}]", ("tracks", None)),
    ],
)
def test_values(line, expected):
    made, mistakes = bound(line + "\n")
    assert mistakes == []
    key, value = expected
    if key == "tracks":
        value = (Inner(name="left"), Inner(name="12:30", low=2))
    assert getattr(made, key) == value


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("whole: 12:30", "whole: must be a whole number, got '12:30'"),
        ("whole: 1e3", "whole: must be a whole number, got '1e3'"),
        ("whole: 0x10", "whole: must be a whole number, got '0x10'"),
        ("whole: no", "whole: must be a whole number, got 'no'"),
        ("whole: 1.5", "whole: must be a whole number, got '1.5'"),
        ("whole:", "whole: must be a whole number, got nothing"),
        ("whole: [1]", "whole: must be a whole number, got a list"),
        ("real: .nan", "real: must be a number, got '.nan'"),
        ("real: nan", "real: must be a number, got 'nan'"),
        ("real: 1e400", "real: must be a number, got '1e400'"),
        ("real: -Infinity", "real: must be a number, got '-Infinity'"),
        ("flag: maybe", "flag: must be true or false, got 'maybe'"),
        ("flag: 1", "flag: must be true or false, got '1'"),
        ("word: ~", "word: must be text, got '~'"),
        ("word: {a: 1}", "word: must be text, got keys with values"),
        ("where: ''", "where: must be a path (or null), got ''"),
        ('where: "a\\0b"', "where: must be a path (or null), got 'a\\x00b'"),
        ("colour: RED", "colour: must be one of red, none, got 'RED' (did you mean 'red'?)"),
        ("colour: green", "colour: must be one of red, none, got 'green'"),
        ("quiet_s: 0", "quiet_s: must be more than 0 and at most 60 s, got '0'"),
        ("quiet_s: 61", "quiet_s: must be more than 0 and at most 60 s, got '61'"),
        ("quiet_s: x", "quiet_s: must be a number, more than 0 and at most 60 s, got 'x'"),
        ("runs: 0", "runs: must be at least 1, got '0'"),
        ("share: 1", "share: must be at least 0 and less than 1, got '1'"),
        ("at: 7:00", "at: must be a time of day, got '7:00'"),
        ("words: no", "words: must be a list, like [no], got 'no'"),
        ("words:", "words: must be a list, got nothing"),
        ("words: {a: 1}", "words: must be a list, got keys with values"),
        ("pairs: [[1, x]]", "pairs[1][2]: must be a whole number, got 'x'"),
        ("inner: [1]", "inner: must be keys with values, got a list"),
        ("inner: {low: 10}", "inner: low must not be above high"),
        ("needs: [{hz: 50}, {dbfs: 1}]", "needs[2].hz: must be given"),
        ("needs: [word]", "needs[1]: must be keys with values, got 'word'"),
        ("hidden: 1", "hidden: unknown key; allowed: word, maybe, flag, whole, real, where, "
         "colour, quiet_s, runs, share, at, words, pairs, inner, tracks, needs"),
        ("inner: {nme: x}", "inner.nme: unknown key (did you mean 'name'?); "
         "allowed: name, low, high"),
        ("inner: {no: x}", "inner.no: unknown key; allowed: name, low, high"),
    ],
)  # fmt: skip
def test_mistakes(line, expected):
    made, mistakes = bound(line + "\n")
    assert made is None
    assert mistakes == [f"f.yaml:1: {expected}"]


def test_every_mistake_at_once_each_on_its_line():
    made, mistakes = bound(
        "# first\n"
        "whole: x\n"
        "quiet_s: 0\n"
        "inner:\n"
        "  low: 2\n"
        "  hihg: 3\n"
        "tracks:\n"
        "  - left\n"
        "  - {name: right,\n"
        "     low: z}\n"
        "  - [1]\n"
        "needs: [{hz: 5},\n"
        "  {hz: 1e1, dbfs: loud}, {}]\n"
        "whole: 4\n"
        "colour: *x\n"
        "flag: perhaps\n"
    )
    assert made is None
    assert mistakes == [
        "f.yaml:2: whole: must be a whole number, got 'x'",
        "f.yaml:3: quiet_s: must be more than 0 and at most 60 s, got '0'",
        "f.yaml:6: inner.hihg: unknown key (did you mean 'high'?); allowed: name, low, high",
        "f.yaml:10: tracks[2].low: must be a whole number, got 'z'",
        "f.yaml:11: tracks[3]: must be keys with values, got a list",
        "f.yaml:12: needs[1].hz: must be 10 to 100 Hz, got '5'",
        "f.yaml:13: needs[2].dbfs: must be a number (or null), got 'loud'",
        "f.yaml:13: needs[3].hz: must be given",
        "f.yaml:14: whole: repeated key, first given on line 2; give it once",
        "f.yaml:15: colour: an alias (*x); write the value out",
        "f.yaml:16: flag: must be true or false, got 'perhaps'",
    ]


@pytest.mark.parametrize("line", ["whole: *x", "words: [*x]", "needs: [{hz: *x}]", "maybe: *x"])
def test_what_was_refused_when_it_was_read_is_told_once(line):
    made, mistakes = bound(line + "\n")
    assert made == (Target(maybe=None) if line.startswith("maybe") else None)
    assert [said.partition(": an alias")[1] for said in mistakes] == [": an alias"]


@pytest.mark.parametrize(
    "hostile",
    [
        '"\\e]0;owned\\a"',
        '"a\\nf.yaml:9: forged: line"',
        '"\\u202Egnp.wav"',
        '"' + "x" * 90_000 + '"',
    ],
)
@pytest.mark.parametrize(
    "line", ["whole: {}", "colour: {}", "words: {}", "? {}\n: 1", "inner: {{ ? {} : 1 }}"]
)
def test_hostile_text_in_messages_is_harmless(line, hostile):
    made, mistakes = bound(line.format(hostile))
    assert made is None
    assert len(mistakes) == 1
    assert mistakes[0].isprintable()
    assert len(mistakes[0]) < 450


def test_a_number_of_a_million_digits_is_refused():
    made, mistakes = bound("whole: " + "9" * 1_000_000)
    assert made is None
    assert len(mistakes[0]) < 200
    assert mistakes[0].endswith("(1000000 characters)")


def test_a_long_list_of_mistakes_is_cut_and_counted():
    many = [Mistake(Place("f", n), "k", "wrong") for n in range(1, LISTED_MISTAKES + 8)]
    lines = listed(many + many)
    assert len(lines) == LISTED_MISTAKES + 1
    assert lines[0] == "f:1: k: wrong"
    assert lines[-1] == "and 7 more mistakes"


@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("quiet_s", "s"),
        ("read_limit_mb_s", "MB/s"),
        ("tape.speed_cm_s", "cm/s"),
        ("memory_mb", "MB"),
        ("lineup.level_db", "dB"),
        ("reference_dbfs", "dBFS"),
        ("tones[2].hz", "Hz"),
        ("min_run_samples", "samples"),
        ("azimuth_arcmin", "minutes of arc"),
        ("valid_h", "h"),
        ("channels", ""),
        ("s", "s"),
    ],
)
def test_units_are_read_off_the_key(key, expected):
    assert unit(key) == expected


def test_escapes_can_be_told_apart():
    assert escaped("a\x1b\\x1b\n\u202e\udce9") == "a\\x1b\\\\x1b\\n\\u202e\\udce9"
    assert quoted("Prøve") == "'Prøve'"


@pytest.mark.parametrize("odd", [dict, list[int], int | str, tuple[int, str], complex])
def test_a_type_that_is_not_read_is_told_to_the_developer(odd):
    with pytest.raises(TypeError, match="cannot be read from configuration"):
        hint(odd)
