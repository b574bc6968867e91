"""The main configuration: where it is looked for, what it holds, its mistakes, default.yaml."""

import dataclasses
from pathlib import Path

import pytest

from checks.registry import Limits
from checks.sheet import ReelKind, SheetTone, TrackEntry
from config.hints import keys
from config.merging import plain
from config.stanza import stanza
from config.text import parse
from config.tree import Map
from config.words import number, quoted
from watcher.errors import ConfigError
from watcher.settings import (
    Profile,
    Settings,
    TrackSets,
    WhileRecording,
    find_config,
    load,
)

DEFAULT = Path(__file__).resolve().parents[2] / "config/default.yaml"
REWRITE = "python -m config.stanza checks.registry Limits --into config/default.yaml"


@pytest.fixture
def config(tmp_path):
    def write(text):
        path = tmp_path / "reelvigil.yaml"
        path.write_text(text)
        return path

    return write


def mistakes(path):
    with pytest.raises(ConfigError) as caught:
        load(path)
    return [line.removeprefix(f"{path}:") for line in caught.value.mistakes]


# --- default.yaml ---


def test_default_yaml_equals_the_defaults():
    assert load(DEFAULT) == Settings()


def leaves(cls, path=()):
    for key, hint in keys(cls).items():
        if dataclasses.is_dataclass(hint.base):
            yield from leaves(hint.base, (*path, key))
        else:
            yield (*path, key), hint


def test_default_yaml_holds_every_key():
    tree, _ = parse(DEFAULT.read_bytes(), "default.yaml")
    for path, _ in leaves(Settings):
        node = tree
        for step in path:
            assert isinstance(node, Map), path
            assert step in node.entries, f"{path}; for limits: {REWRITE}"
            node = node.entries[step].node


def test_the_limits_section_is_written_from_the_code():
    section = DEFAULT.read_text().partition("\nlimits:")[2].lstrip(" ").rstrip("\n")
    lines = list(stanza(Limits, 2))
    assert section == ("\n" + "\n".join(lines) if lines else "{}"), REWRITE


def comment_above(lines, line):
    block = []
    for text in reversed(lines[: line - 1]):
        if not text.lstrip().startswith("#"):
            break
        block.insert(0, text.strip().lstrip("# "))
    return " ".join(block)


@pytest.mark.parametrize(
    ("path", "hint"),
    [(p, h) for p, h in leaves(Settings) if p[0] != "limits"],
    ids=lambda value: ".".join(value) if isinstance(value, tuple) else "",
)
def test_the_comment_above_each_key_gives_what_is_allowed(path, hint):
    tree, _ = parse(DEFAULT.read_bytes(), "default.yaml")
    node = tree
    for step in path:
        entry = node.entries[step]
        node = entry.node
    comment = comment_above(DEFAULT.read_text().splitlines(), entry.place.line)
    bounds = dataclasses.asdict(hint.bounds)
    for bound in filter(lambda value: value is not None, bounds.values()):
        assert number(bound) in comment
    if isinstance(hint.base, type) and hasattr(hint.base, "__members__"):
        for member in hint.base:
            assert member.value in comment


@pytest.mark.parametrize("cls", [TrackEntry, SheetTone, Profile])
def test_default_yaml_shows_the_keys_of_lists(cls):
    own = set(keys(cls)) - set(keys(Settings))
    comments = [line for line in DEFAULT.read_text().splitlines() if line.lstrip()[:1] == "#"]
    assert not [key for key in own if not any(f"{key}:" in line for line in comments)]


def test_what_is_no_key_is_not_shown():
    assert set(plain(Settings())) == set(keys(Settings))
    assert "written" not in keys(Settings)


# --- loading ---


def test_no_file_gives_the_built_in_defaults():
    settings = load(None)
    assert settings == Settings()
    # the defaults that the contract names
    assert (settings.quiet_s, settings.give_up_s, settings.poll_s) == (120, 1800, 5)
    assert (settings.scan_every_s, settings.workers, settings.summary_at) == (900, 1, "07:00")
    assert (settings.roots, settings.reports, settings.ledger) == ((), None, None)


def test_all_kinds_of_keys(config):
    path = config(
        "roots: [captures, /srv/b]\n"
        "reports: ../reports\n"
        "ledger: ~/ledger.db\n"
        "while_recording: run\n"
        "read_limit_mb_s: null\n"
        "summary_at: 06:30\n"
        "on_summary: [mail, -s, no]\n"
        "instance: 0123\n"
        "expect: {rate_hz: 96000}\n"
        "track_sets: {pattern: '{take}_{track}'}\n"
        "profiles:\n"
        "  - {match: 'lineup/**', reel: {kind: lineup}}\n"
    )
    settings = load(path)
    folder = path.parent
    assert settings.roots == (folder / "captures", Path("/srv/b"))
    assert settings.reports == folder.parent / "reports"
    assert settings.ledger == Path("~/ledger.db").expanduser()
    assert settings.while_recording is WhileRecording.RUN
    assert settings.read_limit_mb_s is None
    assert settings.summary_at == "06:30"  # YAML 1.1 makes 390 of it
    assert settings.on_summary == ("mail", "-s", "no")
    assert settings.instance == "0123"  # YAML 1.1 makes 83 of it
    assert settings.expect.rate_hz == 96_000
    assert settings.track_sets == TrackSets(pattern="{take}_{track}")
    assert settings.profiles[0].match == "lineup/**"
    assert settings.profiles[0].reel.kind is ReelKind.LINEUP


def test_homes_of_nobody_are_mistakes(config):
    text = "there is no user whose home is '~nobody-of-that-name'; write the path out"
    where = "~nobody-of-that-name/captures"
    path = config(f"roots: [a, {where}]\nreports: {where}\nledger: {where}\nworkers: 2\n")
    assert mistakes(path) == [
        f"1: roots[2]: {text}",
        f"2: reports: {text}",
        f"3: ledger: {text}",
    ]


def test_every_mistake_at_once(config):
    path = config(
        "roots: [a, a/b, c, ../x, c]\n"
        "quiet_s: 2000\n"
        "quiet_s: 5\n"
        "sumary_at: 07:00\n"
        "while_recording: pause\n"
        "profiles:\n"
        "  - expect: {rate_hz: 0}\n"
        "  - match: x\n"
        "    tracks: [{kind: spare}]\n"
        "workers: 0\n"
    )
    allowed = ", ".join(keys(Settings))
    assert mistakes(path) == [
        "3: quiet_s: repeated key, first given on line 2; give it once",
        f"4: sumary_at: unknown key (did you mean 'summary_at'?); allowed: {allowed}",
        "5: while_recording: must be one of wait, slow, run, got 'pause'",
        "7: profiles[1].expect.rate_hz: must be 1 to 3100000 Hz, got '0'",
        "7: profiles[1].match: must be given",
        "9: profiles[2].tracks[1].kind: must be one of programme, unused, timecode, pilot, "
        "click, got 'spare'",
        "10: workers: must be 1 to 64, got '0'",
    ]


def test_contradictions(config):
    path = config(
        "roots: [a, a/b, c, c]\n"
        "quiet_s: 2000\n"
        "expect: {channels: 2, max_duration_s: 60}\n"
        "same: [[1, 3], [1], [0, 1], [2, 2]]\n"
        "lineup: {reference_track: 3}\n"
        "profiles:\n"
        "  - match: '*.flac'\n"
        "    expect: {min_duration_s: 61}\n"
        "    tracks: [a, b, c]\n"
    )
    found = mistakes(path)
    inside = "lies inside, holds or repeats"
    assert [line.split(f" {inside}")[0] for line in found] == [
        "1: roots[2]:",
        "1: roots[4]:",
        "2: quiet_s: give_up_s (1800 s) must not be below quiet_s (2000 s)",
        "3: expect.max_duration_s: must not be below min_duration_s (61 s), got '60'",
        "4: same[1]: track numbers must be 1 to 2, got [1, 3]",
        "4: same[2]: must be two or more different track numbers",
        "4: same[3]: track numbers must be 1 to 2, got [0, 1]",
        "4: same[4]: must be two or more different track numbers",
        "5: lineup.reference_track: must be 1 to 2 (expect.channels), got '3'",
        "9: tracks: names 3 tracks where expect.channels is 2",
    ]


def test_contradictions_without_profiles(config):
    assert mistakes(config("expect: {channels: 2}\nsame: [[2, 3]]\nroots: [a/b, a]\n")) == [
        "2: same[1]: track numbers must be 1 to 2, got [2, 3]",
        f"3: roots[2]: lies inside, holds or repeats {quoted(str(config('').parent / 'a/b'))}; "
        "name the outer one only",
    ]


@pytest.mark.parametrize(
    ("pattern", "good"),
    [
        ("{take}_{track}", True),
        ("{track}-{take}", True),
        ("x{take} ch{track}.", True),
        ("{take}{track}", False),
        ("{take}", False),
        ("{take}_{track}_{track}", False),
        ("{take}_{trak}", False),
        ("{take}/{track}", False),
    ],
)
def test_patterns_of_track_sets(config, pattern, good):
    path = config(f"track_sets: {{pattern: '{pattern}'}}\n")
    if good:
        assert load(path).track_sets.pattern == pattern
    else:
        assert mistakes(path)[0].startswith("1: track_sets.pattern: must be a file name")


@pytest.mark.parametrize("clock", ["7:00", "24:00", "12:60", "noon", "07:00:00", "'07:00 '"])
def test_a_time_of_day(config, clock):
    path = config(f"summary_at: {clock}\n")
    assert mistakes(path)[0].startswith("1: summary_at: must be a time of day, 00:00 to 23:59")


def test_files_that_cannot_be_read(tmp_path):
    gone = tmp_path / "gone.yaml"
    with pytest.raises(ConfigError, match=r"gone\.yaml: cannot be read: No such file"):
        load(gone)
    with pytest.raises(ConfigError, match=r"cannot be read: Is a directory"):
        load(tmp_path)
    with pytest.raises(ConfigError, match=r"a\\x1b\[31m\.yaml: cannot be read"):
        load(tmp_path / "a\x1b[31m.yaml")


# --- where it is looked for ---


def test_the_configuration_that_counts(tmp_path, monkeypatch):
    here, user = tmp_path / "here", tmp_path / "user"
    (user / "reelvigil").mkdir(parents=True)
    here.mkdir()
    monkeypatch.chdir(here)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(user))
    given = tmp_path / "given.yaml"
    assert find_config(given) == given
    assert find_config() in (None, Path("/etc/reelvigil.yaml"))
    (user / "reelvigil/reelvigil.yaml").write_text("")
    assert find_config() == user / "reelvigil/reelvigil.yaml"
    (here / "reelvigil.yaml").symlink_to("nowhere")  # there, though it cannot be read
    assert find_config() == Path("reelvigil.yaml")
