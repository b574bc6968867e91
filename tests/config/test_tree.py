"""Reading YAML text: what is refused, how soon, and on which line."""

import time

import pytest
import yaml

from config.text import MAX_BYTES, MAX_DEPTH, MAX_NODES, parse
from config.tree import Items, Map, Refused, Scalar

# The bomb as it is known: nine levels of nine aliases, 9**9 values from a few hundred bytes.
BOMB = "a: &a [" + ",".join(["x"] * 9) + "]\n"
for one, last in zip("bcdefghi", "abcdefgh", strict=True):
    BOMB += f"{one}: &{one} [" + ",".join([f"*{last}"] * 9) + "]\n"


def told(data: bytes) -> list[str]:
    return [str(mistake) for mistake in parse(data, "f.yaml")[1]]


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"a: 1\nb: \xe9\n", "f.yaml:2: not UTF-8: byte 0xe9"),
        (b"\xef\xbb\xbfa: 1\n\nb: \xe9\n", "f.yaml:3: not UTF-8: byte 0xe9"),
        ("a: 1\n".encode("utf-16"), "f.yaml:1: not UTF-8: byte 0xff"),
        (b"a:\n  b: 1\n\tc: 2\n", "f.yaml:3: a tab where YAML allows only spaces"),
        (b"a: \x1b[31m\n", "f.yaml:1: the character U+001B is not allowed in YAML"),
        (b"a: 1\n\nb: \x00\n", "f.yaml:3: the character U+0000 is not allowed in YAML"),
        (b"a: 1\na: 2\n", "f.yaml:2: a: repeated key, first given on line 1; give it once"),
        (
            b"a:\n  b: 1\n  c: 2\n  'b': 3\n",
            "f.yaml:4: a.b: repeated key, first given on line 2; give it once",
        ),
        (b"a: &x 1\n", "f.yaml:1: a: an anchor (&); anchors and aliases are not read"),
        (b"a: !!str 1\n", "f.yaml:1: a: a tag (!); tags are not read, the key decides the type"),
        (
            b"a: !!python/object/apply:os.system [ls]\n",
            "f.yaml:1: a: a tag (!); tags are not read, the key decides the type",
        ),
        (b"a: 1\n---\nb: 2\n", "f.yaml:2: a second document begins; one file holds one"),
        (b"- a\n- b\n", "f.yaml:1: must be keys with values ('key: value')"),
        (b"\n\nwords\n", "f.yaml:3: must be keys with values ('key: value')"),
        (b"? [a, b]\n: 1\n", "f.yaml:1: a key must be one word, not a list"),
    ],
)
def test_a_mistake_has_its_line(data, expected):
    assert told(data) == [expected]


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (b"a: 1\nb: [1,\nc: 2\n", 3),
        (b"a: b: c\n", 1),
        (b"a: 1\nb: 'open\n", 2),
        (b"a: 1\n  b: 2\n", 2),
        (b"%YAML 9.9\n---\na: 1\n", 1),
        (b"a: 1\n}\n", 2),
    ],
)
def test_syntax_errors_have_a_line(data, line):
    tree, mistakes = parse(data, "f.yaml")
    assert tree is None
    assert [m.place.line for m in mistakes] == [line]
    assert str(mistakes[0]).startswith(f"f.yaml:{line}: not readable as YAML: ")


def test_what_never_closes_is_told_with_its_beginning():
    assert told(b"a: 1\nb: [1,\nc: 2\n\n\n")[0].endswith("(begun on line 2)")


def test_lines_are_counted_as_an_editor_counts_them():
    # YAML 1.1 counts U+2028 and U+0085 as line breaks; editors do not
    assert told("# \u2028\u0085\r\n\r\na: 1\r\na: 2".encode()) == [
        "f.yaml:4: a: repeated key, first given on line 3; give it once"
    ]


def test_reading_goes_on_after_aliases_and_repeated_keys():
    tree, mistakes = parse(b"a: &x [1]\nb: *x\nc: {d: 1, d: 2}\ne: 5\n", "f.yaml")
    assert [str(m) for m in mistakes] == [
        "f.yaml:1: a: an anchor (&); anchors and aliases are not read",
        "f.yaml:2: b: an alias (*x); write the value out",
        "f.yaml:3: c.d: repeated key, first given on line 3; give it once",
    ]
    assert isinstance(tree, Map)
    assert isinstance(tree.entries["b"].node, Refused)
    assert isinstance(tree.entries["a"].node, Items)
    assert isinstance(tree.entries["e"].node, Scalar)
    assert tree.entries["e"].node.text == "5"


@pytest.mark.parametrize("data", [b"", b"# nothing\n", b"---\n", b"~\n", b"{}\n", b"\xef\xbb\xbf"])
def test_an_empty_file_says_nothing(data):
    tree, mistakes = parse(data, "f.yaml")
    assert mistakes == []
    assert tree is not None
    assert tree.entries == {}


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (BOMB.encode(), "an alias (*a); write the value out"),
        (b"[" * 100_000, f"nested deeper than {MAX_DEPTH} levels"),
        (b"{" * 100_000, f"nested deeper than {MAX_DEPTH} levels"),
        (b"- " * 100_000, f"nested deeper than {MAX_DEPTH} levels"),
        (b"? " * 100_000, f"nested deeper than {MAX_DEPTH} levels"),
        (b"a: 1 #" + b" " * (MAX_BYTES - 5), f"larger than {MAX_BYTES} bytes"),
        (b"a: " + b"1" * MAX_BYTES * 2, f"larger than {MAX_BYTES} bytes"),
        (b"a: [" + b"1," * 200_000 + b"]", f"more than {MAX_NODES} values"),
        (b"a: 1\n" * 200_000, "repeated key, first given on line 1"),
        (b"&" * 1_000_000, "not readable as YAML"),
    ],
    ids=["bomb", "[", "{", "-", "?", "1 MiB + 1", "2 MiB", "values", "repeated", "&"],
)
def test_hostile_text_is_refused_within_a_second(data, expected):
    begun = time.process_time()  # of this process alone: the machine may be busy
    mistakes = told(data)
    assert time.process_time() - begun < 2.0  # a second, and room for a slow machine
    assert any(expected in mistake for mistake in mistakes)
    assert max(map(len, mistakes)) < 500


def test_the_bomb_is_one():
    # 9**9 values, by PyYAML's own account: the load is quick because the lists are shared
    loaded = yaml.safe_load(BOMB)
    count, level = 1, loaded["i"]
    while isinstance(level, list):
        count, level = count * len(level), level[0]
    assert count == 9**9
    assert len(BOMB) < 500


def test_the_largest_file_is_read():
    tree, mistakes = parse(b"a: 1 #" + b" " * (MAX_BYTES - 6), "f.yaml")
    assert tree is not None
    assert not mistakes


def test_depth_up_to_the_limit_is_read():
    def nested(levels):
        return ("a: " + "[" * levels + "]" * levels).encode()

    assert told(nested(MAX_DEPTH - 1)) == []
    assert "nested deeper" in told(nested(MAX_DEPTH))[0]
