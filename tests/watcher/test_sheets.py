"""What applies to one capture: layers, sources, which sheets count, changes, mistakes."""

import hashlib
import json
import os
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.sheet import TrackEntry, TrackKind
from config.merging import flat, merged
from config.text import parse
from config.tree import Map
from watcher.config_commands import check_text, show_rows
from watcher.errors import ConfigError
from watcher.globs import fits
from watcher.settings import Settings, Sheets, load


def write(path, text):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def given_sources(applied):
    return {key: source for key, source in applied.sources.items() if source != "default"}


@pytest.fixture
def tree(tmp_path):
    """A root with a profile, a sheet at the root and one two folders below."""
    write(
        tmp_path / "etc/reelvigil.yaml",
        "roots: [../store]\n"
        "expect:\n"
        "  rate_hz: 96000\n"
        "  channels: 4\n"
        "machine: deck one\n"
        "profiles:\n"
        "  - match: 'R-1/**'\n"
        "    expect: {channels: 8}\n"
        "  - match: '*_x.wav'\n"
        "    reel: {number: R-9}\n"
        "    expect:\n"
        "      channels: 16\n",
    )
    write(tmp_path / "store/transfer.yaml", "lineup:\n  required: yes\ntracks: [a, b]\n")
    write(
        tmp_path / "store/R-1/side a/transfer.yaml",
        "# nearest\nexpect:\n  rate_hz: 352800\nlineup:\ntracks: [left, {name: no, kind: click}]\n",
    )
    return tmp_path


def test_layers_in_order_nearest_wins_key_by_key(tree):
    sheets = Sheets(load(tree / "etc/reelvigil.yaml"))
    applied = sheets.for_capture(tree / "store/R-1/side a/take_x.wav")
    sheet = applied.sheet
    assert (sheet.expect.rate_hz, sheet.expect.channels, sheet.machine) == (352_800, 16, "deck one")
    assert sheet.lineup.required  # the empty "lineup:" below says nothing about it
    assert sheet.tracks == (  # lists are replaced whole
        TrackEntry(name="left"),
        TrackEntry(name="no", kind=TrackKind.CLICK),
    )
    assert given_sources(applied) == {
        "expect.rate_hz": "transfer.yaml:3",
        "expect.channels": "reelvigil.yaml:12",
        "reel.number": "reelvigil.yaml:10",
        "machine": "reelvigil.yaml:5",
        "tracks": "transfer.yaml:5",
        "lineup.required": "../../transfer.yaml:2",
    }
    assert set(applied.sources) == set(flat(applied.values))
    other = sheets.for_capture(tree / "store/R-2/take_1.wav")
    assert (other.sheet.expect.rate_hz, other.sheet.expect.channels) == (96_000, 4)
    assert other.sheet.track_name(1) == "b"
    assert sheets.for_capture(tree / "store/R-1/take_1.wav").sheet.expect.channels == 8


def test_rows_for_people(tree):
    sheets = Sheets(load(tree / "etc/reelvigil.yaml"))
    rows = show_rows(sheets.for_capture(tree / "store/R-1/side a/t.wav"))
    assert ("expect.rate_hz", "352800", "transfer.yaml:3") in rows
    assert ("expect.word_length", "null", "default") in rows
    assert ("machine", '"deck one"', "reelvigil.yaml:5") in rows
    assert [row[0] for row in rows][:2] == ["expect.rate_hz", "expect.channels"]


def test_the_digest_follows_the_values_alone(tree):
    sheets = Sheets(load(tree / "etc/reelvigil.yaml"))
    one = sheets.for_capture(tree / "store/R-2/a.wav")
    two = sheets.for_capture(tree / "store/R-3/b/c.wav")
    assert one.digest == two.digest
    assert one.sources != two.sources  # the sheet is one folder up, and two
    assert one.digest != sheets.for_capture(tree / "store/R-1/a.wav").digest
    canonical = json.dumps(one.values, sort_keys=True, separators=(",", ":"))
    assert one.digest == hashlib.sha256(canonical.encode()).hexdigest()


# --- merging, against a model of its own ---

VALUES = {
    "expect.rate_hz": st.integers(1, 3_100_000),
    "expect.word_length": st.integers(4, 64),
    "machine": st.sampled_from(["no", "12:30", "0123", "deck"]),
    "tape.speed_cm_s": st.sampled_from([9.5, 19.05, 38.1]),
    "lineup.required": st.booleans(),
    "lineup.level_db": st.sampled_from([0.1, 0.25, 1.5]),
    "same": st.lists(st.just([1, 2]), max_size=2),
    "track_sets.enabled": st.booleans(),
}
LAYER = st.fixed_dictionaries({}, optional=VALUES)


def as_yaml(layer, indent=""):
    """The layer as text, and the line of each key; sections in block style."""
    lines, at, sections = [], {}, {}
    for key, value in layer.items():
        section, _, last = key.rpartition(".")
        sections.setdefault(section, []).append((key, last, value))
    for section, entries in sections.items():
        if section:
            lines.append(f"{indent}{section}:")
        for key, last, value in entries:
            text = str(value).lower() if isinstance(value, bool) else str(value)
            lines.append(f"{indent}{'  ' if section else ''}{last}: {text}")
            at[key] = len(lines)
    return "\n".join(lines) + "\n", at


@settings(max_examples=60, deadline=None)
@given(st.lists(LAYER, min_size=5, max_size=5))
def test_each_value_is_that_of_the_nearest_layer_that_gives_it(layers):
    with tempfile.TemporaryDirectory() as name:
        base = Path(name).resolve()
        expected, sources = {}, {}
        text, at = as_yaml(layers[0])
        profile, below = as_yaml(layers[1], "    ")
        head = text + "roots: [store]\nprofiles:\n  - match: '**/*'\n"
        write(base / "c.yaml", head + profile.rstrip("\n") + "\n")
        offset = head.count("\n")
        for key, value in layers[0].items():
            expected[key], sources[key] = value, f"c.yaml:{at[key]}"
        for key, value in layers[1].items():
            expected[key], sources[key] = value, f"c.yaml:{offset + below[key]}"
        for folder, up, layer in zip(
            ("store", "store/a", "store/a/b"), ("../../", "../", ""), layers[2:], strict=True
        ):
            text, at = as_yaml(layer)
            write(base / folder / "transfer.yaml", text)
            for key, value in layer.items():
                expected[key], sources[key] = value, f"{up}transfer.yaml:{at[key]}"
        applied = Sheets(load(base / "c.yaml")).for_capture(base / "store/a/b/t.wav")
        assert given_sources(applied) == sources
        defaults = flat(Sheets(Settings()).for_capture(base / "t.wav").values)
        assert flat(applied.values) == defaults | expected


@given(LAYER)
def test_an_empty_layer_changes_nothing(layer):
    tree, _ = parse(as_yaml(layer)[0].encode(), "f")
    assert tree is not None
    assert merged(tree, Map()).entries == tree.entries
    assert merged(Map(), tree).entries == tree.entries
    assert merged(tree, tree).entries == tree.entries


def test_null_unsets_a_value_and_keeps_a_section(tree):
    path = tree / "store/R-1/transfer.yaml"
    write(path, "machine: null\nexpect: {channels: ~}\ntape:\n")
    sheet = Sheets(load(tree / "etc/reelvigil.yaml")).for_capture(path).sheet
    assert sheet.machine is None
    assert sheet.expect.channels is None
    assert sheet.expect.rate_hz == 96_000


# --- which sheets count ---


@pytest.mark.parametrize(
    ("sheets", "roots", "top", "expected"),
    [
        # inside a root: up to the root and no further, with gaps
        (["a"], ["a"], None, "../../../transfer.yaml:1"),
        (["a"], ["a/b"], None, None),
        (["a"], ["a/b"], "a", None),
        # the path given to the command: up to it with gaps, above it without
        (["a/b"], [], "a/b", "../../transfer.yaml:1"),
        (["a"], [], "a/b", "../../../transfer.yaml:1"),
        (["a"], [], "a/b/c", None),
        (["a", "a/b"], [], "a/b/c", "../../transfer.yaml:1"),
        (["a"], [], "a/b/c/d/t.wav", None),
        # neither: the folder, then as long as each has one
        (["a/b/c"], [], None, "../transfer.yaml:1"),
        (["a/b"], [], None, None),
        # another root is no reason to look elsewhere
        (["a/b"], ["z"], None, None),
    ],
)
def test_which_sheets_count(tmp_path, sheets, roots, top, expected):
    (tmp_path / "a/b/c/d").mkdir(parents=True)
    (tmp_path / "z").mkdir()
    capture = write(tmp_path / "a/b/c/d/t.wav", "")
    for folder in sheets:
        write(tmp_path / folder / "transfer.yaml", f"machine: {folder}\n")
    asked = Sheets(
        Settings(roots=tuple(tmp_path / root for root in roots)),
        None if top is None else tmp_path / top,
    )
    assert given_sources(asked.for_capture(capture)).get("machine") == expected


def test_links_lead_to_the_same_sheets(tmp_path):
    write(tmp_path / "store/transfer.yaml", "machine: deck\n")
    (tmp_path / "store/R-1/side").mkdir(parents=True)
    (tmp_path / "short").symlink_to(tmp_path / "store/R-1/side")
    (tmp_path / "root").symlink_to(tmp_path / "store")
    sheets = Sheets(Settings(roots=(tmp_path / "root",)))
    for way in ("short/t.wav", "root/R-1/side/t.wav", "store/R-1/side/t.wav"):
        assert sheets.for_capture(tmp_path / way).sheet.machine == "deck"
    unrooted = Sheets(Settings(), tmp_path / "root")
    assert unrooted.for_capture(tmp_path / "root/R-1/side/t.wav").sheet.machine == "deck"


@pytest.mark.parametrize(
    ("pattern", "inner", "expected"),
    [
        ("*.wav", "a/b/t.wav", True),
        ("*.wav", "a/b/t.flac", False),
        ("t?.wav", "t1.wav", True),
        ("t?.wav", "t.wav", False),
        ("a/*", "a/t.wav", True),
        ("a/*", "a/b/t.wav", False),
        ("a/**", "a/b/t.wav", True),
        ("a/**", "ab/t.wav", False),
        ("**/lineup/*", "lineup/t.wav", True),
        ("**/lineup/*", "a/b/lineup/t.wav", True),
        ("**/lineup/*", "a/xlineup/t.wav", False),
        ("R-[12]/**", "R-2/t.wav", True),
        ("R-[!12]/**", "R-2/t.wav", False),
        ("R-[1-3]/**", "R-2/t.wav", True),
        ("a/R-[!x]t.wav", "a/R-/t.wav", False),
        ("/srv/a/**", "a/t.wav", True),
        ("/a/**", "a/t.wav", False),
        ("a.wav", "axwav", False),
        ("[", "[", True),
        ("[]a]", "]", True),
        ("[^a]", "^", True),
        ("[z-a]", "z", False),
        ("T.WAV", "t.wav", False),
        ("a\nb*", "a\nbc", True),
    ],
)
def test_globs(pattern, inner, expected):
    assert fits(pattern, inner, "/srv/" + inner) is expected


@given(st.text(max_size=8), st.text(max_size=8))
def test_no_glob_raises(pattern, inner):
    fits(pattern, inner, "/" + inner)


# --- changes and mistakes ---


def test_a_changed_sheet_is_read_again_and_an_unchanged_one_is_not(tmp_path, monkeypatch):
    path = write(tmp_path / "transfer.yaml", "machine: one\n")
    sheets = Sheets(Settings())
    assert sheets.for_capture(tmp_path / "t.wav").sheet.machine == "one"
    opened = []
    real = os.open
    monkeypatch.setattr(os, "open", lambda *a, **k: opened.append(a[0]) or real(*a, **k))
    assert sheets.for_capture(tmp_path / "u.wav").sheet.machine == "one"
    assert not opened
    path.write_text("machine: two and more\n")
    assert sheets.for_capture(tmp_path / "t.wav").sheet.machine == "two and more"
    path.unlink()
    assert sheets.for_capture(tmp_path / "t.wav").sheet.machine is None


def test_every_mistake_of_every_sheet_even_where_a_nearer_one_hides_it(tree):
    far = write(tree / "store/transfer.yaml", "machine: [x]\nlineup:\n  required: maybe\n")
    near = write(
        tree / "store/R-1/transfer.yaml", "machine: deck\nexpect:\n  channels: 0\nreal: 1\n"
    )
    sheets = Sheets(load(tree / "etc/reelvigil.yaml"))
    with pytest.raises(ConfigError) as caught:
        sheets.for_capture(tree / "store/R-1/t.wav")
    assert [
        line.partition(", got")[0].partition("; allowed")[0] for line in caught.value.mistakes
    ] == [
        f"{near}:3: expect.channels: must be 1 to 256",
        f"{near}:4: real: unknown key (did you mean 'reel'?)",
        f"{far}:1: machine: must be text (or null)",
        f"{far}:3: lineup.required: must be true or false",
    ]


def test_contradictions_between_files_name_the_place_that_stands(tree):
    near = write(tree / "store/R-1/transfer.yaml", "\ntracks: [a, b, c, d, e, f, g, h, i]\n")
    with pytest.raises(ConfigError) as caught:
        Sheets(load(tree / "etc/reelvigil.yaml")).for_capture(tree / "store/R-1/t.wav")
    assert caught.value.mistakes == (
        f"{near}:2: tracks: names 9 tracks where expect.channels is 8",
    )


def test_the_last_good_one_is_kept(tmp_path):
    path = write(tmp_path / "transfer.yaml", "machine: one\n")
    capture = tmp_path / "t.wav"
    sheets = Sheets(Settings())
    assert sheets.last_good(capture) is None
    good = sheets.for_capture(capture)
    path.write_text("machine: [broken\n")
    for _ in range(2):
        with pytest.raises(ConfigError, match="not readable as YAML"):
            sheets.for_capture(capture)
    assert sheets.last_good(capture) == good


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda path: path.symlink_to("/etc/hostname"), "is a link; put the file itself here"),
        (lambda path: path.symlink_to("gone"), "is a link; put the file itself here"),
        (lambda path: os.mkfifo(path), "is not a regular file"),
        (lambda path: path.mkdir(), "cannot be read: Is a directory"),
        (lambda path: path.write_bytes(b"x" * ((1 << 20) + 1)), "larger than 1048576 bytes"),
    ],
    ids=["link", "dangling", "pipe", "folder", "large"],
)
def test_sheets_that_are_no_plain_files(tmp_path, make, expected):
    path = tmp_path / "transfer.yaml"
    make(path)
    with pytest.raises(ConfigError) as caught:
        Sheets(Settings()).for_capture(tmp_path / "t.wav")
    assert len(caught.value.mistakes) == 1
    assert caught.value.mistakes[0].startswith(f"{path}: {expected}")


def test_config_check_finds_all_sheets_below_and_above(tree):
    write(tree / "store/R-2/transfer.yaml", "machne: x\n")
    write(tree / "store/R-2/deep/er/transfer.yaml", "quiet_s: 1\n")
    write(tree / "store/R-3/transfer.yml", "machine: x\n")
    lines = check_text(tree / "etc/reelvigil.yaml", tree / "store").mistakes
    assert [line.partition("; allowed")[0].removeprefix(f"{tree}/store/") for line in lines] == [
        "R-2/transfer.yaml:1: machne: unknown key (did you mean 'machine'?)",
        "R-2/deep/er/transfer.yaml:1: quiet_s: unknown key",
        "R-3/transfer.yml: is not read; a transfer sheet is named transfer.yaml",
    ]
    assert (
        len(check_text(tree / "etc/reelvigil.yaml", tree / "store/R-2/deep/er/t.wav").mistakes) == 2
    )
    assert check_text(tree / "etc/reelvigil.yaml", tree / "store/R-1").mistakes == []
    assert check_text(None, None).mistakes == []
    (tree / "store/R-2/deep/bare").mkdir()
    assert (
        "R-2/transfer.yaml:1: machne"
        in check_text(tree / "etc/reelvigil.yaml", tree / "store/R-2/deep/bare").mistakes[0]
    )


def test_config_check_tells_the_main_file_too(tree):
    config = write(tree / "etc/reelvigil.yaml", "rots: []\n")
    write(tree / "store/R-2/transfer.yaml", "machne: x\n")
    lines = check_text(config, tree / "store/R-2").mistakes
    assert lines[0].startswith(f"{config}:1: rots: unknown key (did you mean 'roots'?)")
    assert lines[1].startswith(f"{tree}/store/R-2/transfer.yaml:1: machne: unknown key")


def test_config_check_tells_tracks_without_a_name(tree):
    """Some named and some not: one was perhaps forgotten; nothing is held up by it."""
    sheet = tree / "store/R-9/transfer.yaml"
    write(sheet, "expect: {channels: 3}\ntracks: [a, b]\n")
    write(tree / "store/R-9/deeper/transfer.yaml", "expect: {channels: 4}\n")
    told = [f"{sheet}:2: tracks: names 2 where expect.channels is 3"]
    assert check_text(None, tree / "store").mistakes == told
    found = Sheets(Settings(), tree / "store").for_capture(sheet).sheet
    assert [found.track_name(i) for i in range(3)] == ["a", "b", "track 3"]
    write(sheet, "tracks: [a, b, a]\n")
    told = [f"{sheet}:1: tracks: 'a' stands 2 times"]
    assert check_text(None, tree / "store").mistakes == told
    write(sheet, "expect: {channels: 3}\ntracks: [a, b, c]\n")
    assert check_text(None, tree / "store").mistakes == []
