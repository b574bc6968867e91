"""A scan against the ledger: what is new, changed, gone or back, and nothing else."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.reconcile import Outcome, below, scan, walk
from watcher.walk import is_capture, is_capture_name


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "root").mkdir()
    return tmp_path / "root"


def write(path: Path, data: bytes = b"x") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def know(ledger: Ledger, root: Path, *paths: Path) -> None:
    number = ledger.root(root)
    for path in paths:
        files = [(path, Identity.of(os.lstat(path)))]
        ledger.put(root=number, path=path, is_set=False, files=files, state=State.DONE)


def run(ledger: Ledger, root: Path) -> tuple[dict[str, list[str]], Outcome]:
    """What a scan finds, by folder."""
    outcome = Outcome()
    found: dict[str, list[str]] = {}
    for item in scan(ledger, os.fsencode(root), outcome):
        if item is not None:
            listing, differs = item
            names = [os.fsdecode(n) for n in differs.touched]
            names += [f"back {os.fsdecode(n)}" for n in differs.back]
            found[os.path.relpath(os.fsdecode(listing.folder), root)] = sorted(names)
    return found, outcome


def test_new_changed_gone(ledger: Ledger, root: Path) -> None:
    same, changed, gone = (write(root / "a" / f"{n}.wav") for n in ("same", "changed", "gone"))
    know(ledger, root, same, changed, gone)
    write(root / "a/new.wav")
    write(root / "b/c/new.wav")
    write(changed, b"longer")
    gone.unlink()
    found, outcome = run(ledger, root)
    assert found == {"a": ["changed.wav", "new.wav"], "b/c": ["new.wav"]}
    assert [(one.name, one.since) for one in outcome.absent] == [(b"gone.wav", None)]
    assert (outcome.known, outcome.absents, outcome.captures, outcome.folders) == (3, 1, 4, 3)


@pytest.mark.parametrize("what", ["size", "mtime", "inode"])
def test_each_part_of_the_identity_counts(ledger: Ledger, root: Path, what: str) -> None:
    path = write(root / "x.wav")
    know(ledger, root, path)
    st = os.stat(path)
    if what == "size":
        path.write_bytes(b"xy")
    if what == "inode":
        os.rename(write(root / ".new"), path)
    mtime = st.st_mtime_ns + (what == "mtime")
    os.utime(path, ns=(st.st_atime_ns, mtime))
    assert run(ledger, root)[0] == {".": ["x.wav"]}


def test_another_device_number_is_no_change(ledger: Ledger, root: Path) -> None:
    """Numbers are given anew at each mount."""
    path = write(root / "x.wav")
    know(ledger, root, path)
    ledger.change("UPDATE files SET device = 4711")
    assert run(ledger, root)[0] == {}
    assert list(ledger.rows("SELECT device FROM files")) == [(os.stat(path).st_dev,)]


def test_inodes_do_not_count_where_they_do_not_last(
    ledger: Ledger, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(root / "x.wav")
    know(ledger, root, path)
    ledger.change("UPDATE files SET inode = 1")
    monkeypatch.setattr("watcher.reconcile.keeps_inodes", lambda _: False)
    assert run(ledger, root)[0] == {}


def test_back_again(ledger: Ledger, root: Path) -> None:
    path = write(root / "x.wav")
    know(ledger, root, path)
    ledger.change("UPDATE files SET missing_since = 'then'")
    assert run(ledger, root)[0] == {".": ["back x.wav"]}


def test_missing_ones_are_not_counted_again(ledger: Ledger, root: Path) -> None:
    path = write(root / "x.wav")
    know(ledger, root, path, write(root / "y.wav"))
    ledger.change("UPDATE files SET missing_since = 'then' WHERE name = ?", (b"x.wav",))
    path.unlink()
    outcome = run(ledger, root)[1]
    assert (outcome.absents, outcome.newly_absent, outcome.known) == (1, 0, 2)
    ledger.change("UPDATE captures SET state = 'missing' WHERE path = ?", (os.fsencode(path),))
    outcome = run(ledger, root)[1]
    assert (outcome.absents, outcome.known) == (0, 1)


def test_vanished_folders_and_a_neighbour_of_like_name(ledger: Ledger, tmp_path: Path) -> None:
    root, neighbour = tmp_path / "root", tmp_path / "root-2"
    gone = write(root / "a/b/gone.wav")
    kept = write(root / "a/kept.wav")
    know(ledger, root, gone, kept)
    know(ledger, neighbour, write(neighbour / "x.wav"))
    shutil.rmtree(neighbour)
    shutil.rmtree(root / "a/b")
    outcome = run(ledger, root)[1]
    assert [(one.folder, one.name) for one in outcome.absent] == [
        (os.fsencode(root / "a/b"), b"gone.wav")
    ]


def test_a_folder_that_became_a_link_is_unknown(ledger: Ledger, root: Path) -> None:
    know(ledger, root, write(root / "a/x.wav"))
    os.rename(root / "a", root.parent / "elsewhere")
    os.symlink(root.parent / "elsewhere", root / "a")
    outcome = run(ledger, root)[1]
    assert (outcome.absents, outcome.links) == (0, [os.fsencode(root / "a")])


def test_another_volume_inside_is_not_entered(
    ledger: Ledger, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unmounted, its captures would look deleted; a subvolume is no mount and is entered."""
    write(root / "a/x.wav")
    monkeypatch.setattr("watcher.reconcile.is_mount_point", lambda path: path.name == "a")
    real = os.stat
    monkeypatch.setattr("watcher.reconcile.os.stat", lambda p: FakeDevice(real(p)))
    found, outcome = run(ledger, root)
    assert (found, outcome.elsewhere) == ({}, [os.fsencode(root / "a")])
    monkeypatch.setattr("watcher.reconcile.is_mount_point", lambda _: False)
    assert run(ledger, root)[0] == {"a": ["x.wav"]}


class FakeDevice:
    def __init__(self, st: os.stat_result) -> None:
        self.st_dev = st.st_dev + 1


def test_a_file_that_cannot_be_looked_at_is_unknown(
    ledger: Ledger, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    know(ledger, root, write(root / "x.wav"), write(root / "y.wav"))
    real = os.scandir

    class Entry:
        def __init__(self, entry: os.DirEntry[bytes]) -> None:
            self.entry, self.name, self.path = entry, entry.name, entry.path

        def is_dir(self, **how: bool) -> bool:
            return self.entry.is_dir(**how)

        def stat(self, **how: bool) -> os.stat_result:
            if self.name == b"x.wav":
                raise OSError(5, "Input/output error")
            return self.entry.stat(**how)

    class Entries:
        def __init__(self, path: bytes) -> None:
            with real(path) as entries:
                self.all = [Entry(entry) for entry in entries]

        def __enter__(self) -> list[Entry]:
            return self.all

        def __exit__(self, *_: object) -> None:
            pass

    monkeypatch.setattr("watcher.reconcile.os.scandir", Entries)
    found, outcome = run(ledger, root)
    assert (found, outcome.absents) == ({}, 0)


def test_very_deep_is_told_and_left(root: Path) -> None:
    deep = root
    for _ in range(70):
        deep = deep / "d"
    deep.mkdir(parents=True)
    outcome = Outcome()
    folders = [one for one in walk(os.fsencode(root), outcome) if one is not None]
    assert len(folders) == 65
    assert [why for _, why in outcome.unlisted] == ["more than 64 folders deep"]


def test_it_yields_often_and_keeps_no_tree(root: Path) -> None:
    """Also within one great folder, so that whoever runs it can stop."""
    for number in range(2500):
        (root / f"{number}.txt").touch()
    assert sum(one is None for one in walk(os.fsencode(root), Outcome())) == 2


def test_the_share_that_is_too_much_at_once() -> None:
    for known, gone, wrong in ((100, 10, False), (100, 21, True), (100, 20, False), (30, 11, True)):
        outcome = Outcome(known=known, newly_absent=gone)
        assert outcome.looks_wrong is wrong, (known, gone)


def test_a_subtree_alone(ledger: Ledger, root: Path) -> None:
    write(root / "a/b/x.wav")
    write(root / "y.wav")
    found = [item for item in below(ledger, os.fsencode(root / "a"), Outcome()) if item]
    assert [(listing.folder, differs.touched) for listing, differs in found] == [
        (os.fsencode(root / "a/b"), [b"x.wav"])
    ]


CONTENTS = st.sampled_from([None, b"1", b"22", b"333"])


@settings(max_examples=25, deadline=None)
@given(
    st.dictionaries(
        st.tuples(st.sampled_from(["", "a/", "a/b/", "c/"]), st.sampled_from(["x", "y", "z"])),
        st.tuples(CONTENTS, CONTENTS),
        max_size=12,
    )
)
def test_whatever_happened_the_difference_is_exact(
    tmp_path_factory: pytest.TempPathFactory,
    files: dict[tuple[str, str], tuple[bytes | None, bytes | None]],
) -> None:
    """Files before and after, in any folders: exactly what differs in size is found."""
    folder = tmp_path_factory.mktemp("law")
    root = folder / "root"
    root.mkdir()
    with Ledger(folder / "ledger.sqlite") as ledger:
        for (where, name), (before, _) in files.items():
            if before is not None:
                know(ledger, root, write(root / where / f"{name}.wav", before))
        for (where, name), (before, after) in files.items():
            path = root / where / f"{name}.wav"
            if after is None:
                path.unlink(missing_ok=True)
            elif after != before:
                write(path, after)
        found, outcome = run(ledger, root)
    touched = {
        os.path.normpath(f"{where}{name}.wav")
        for (where, name), (before, after) in files.items()
        if after is not None and after != before
    }
    gone = {
        os.fsencode(root / where / f"{name}.wav")
        for (where, name), (before, after) in files.items()
        if before is not None and after is None
    }
    assert {os.path.normpath(f"{f}/{n}") for f, names in found.items() for n in names} == touched
    assert {os.path.join(one.folder, one.name) for one in outcome.absent} == gone


@given(
    st.tuples(
        st.sampled_from(["", ".", "~", "a", "..", "a.b"]),
        st.sampled_from(["", ".wav", ".WAV", ".vigil.json", ".tmp", "~", ".flac", ".", ".part"]),
        st.sampled_from(["", ".wav", ".tmp", "~", ".aiff"]),
    )
)
def test_names_as_bytes_are_told_like_names_as_text(parts: tuple[str, str, str]) -> None:
    name = "".join(parts)
    assert is_capture(name.encode()) is is_capture_name(name)
