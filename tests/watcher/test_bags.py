"""BagIt bags against the bagit library and RFC 8493."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
from pathlib import Path

import bagit
import pytest
from damage_files import flip
from verifying import run

from watcher.bags import plain_path
from watcher.exits import Exit


def bag(folder: Path) -> bagit.Bag:
    (folder / "sub").mkdir(parents=True)
    (folder / "a 100%.wav").write_bytes(b"a" * 1000)
    (folder / "sub" / "b.wav").write_bytes(b"b" * 1000)
    return bagit.make_bag(str(folder), checksums=["sha256", "md5"])


def spoil(folder: Path, how: str) -> None:
    match how:
        case "flipped":
            flip(folder / "data" / "sub" / "b.wav", 500)
        case "missing":
            (folder / "data" / "sub" / "b.wav").unlink()
        case "extra":
            (folder / "data" / "c.wav").write_bytes(b"c")
        case "tag changed":
            with (folder / "bag-info.txt").open("a") as stream:
                stream.write("Contact-Name: nobody\n")
        case "manifest line gone":
            manifest = folder / "manifest-sha256.txt"
            manifest.write_text("".join(manifest.read_text().splitlines(True)[1:]))
        case "declaration":
            (folder / "bagit.txt").write_text("BagIt-Version: 1.0\n")
        case "byte-order mark":
            text = (folder / "bagit.txt").read_text()
            (folder / "bagit.txt").write_text("\ufeff" + text)
        case "oxum":
            text = (folder / "bag-info.txt").read_text()
            (folder / "bag-info.txt").write_text(text.replace("2000.2", "2000.3"))
        case "not yet fetched":
            (folder / "data" / "sub" / "b.wav").unlink()
            line = "https://archive.example/b.wav 1000 data/sub/b.wav\n"
            (folder / "fetch.txt").write_text(line)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    "how",
    [
        *("good", "flipped", "missing", "extra", "tag changed", "manifest line gone"),
        *("declaration", "byte-order mark", "oxum", "not yet fetched"),
    ],
)
def test_bags_as_the_bagit_library_sees_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], how: str
) -> None:
    """RFC 8493; bagit-python as the outside peer."""
    folder = tmp_path / "bag"
    folder.mkdir()
    made = bag(folder)
    spoil(folder, how)
    for tags in folder.glob("tagmanifest-*"):  # else every damage would show there as well
        if how not in ("good", "tag changed"):
            tags.unlink()
    try:
        theirs = bagit.Bag(str(folder)).is_valid() if made else None
    except bagit.BagError:
        theirs = False
    status, _, _ = run(capsys, str(folder))
    assert (status is Exit.CLEAR) is theirs
    # the library makes bags of version 0.97: a file need stand in one manifest only
    assert theirs is (how in ("good", "manifest line gone"))


@pytest.mark.filterwarnings("ignore")
def test_flips_anywhere_in_a_bag_are_seen_by_both(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Payload, manifests, tags, by xor; names that many tools write without coding them."""
    dice = random.Random(5)
    made = tmp_path / "made"
    names = ("a 100%.wav", "x%25y.wav", "fj\u00f8rd.wav", "cafe\u0301.wav", ".hidden", "sub/b.wav")
    for number, name in enumerate(names):
        (made / name).parent.mkdir(parents=True, exist_ok=True)
        (made / name).write_bytes(dice.randbytes(100 + number))
    bagit.make_bag(str(made), checksums=["sha512", "sha3_256", "blake2b"])
    files = sorted(p.relative_to(made) for p in made.rglob("*") if p.is_file())
    for number in range(25):
        folder = tmp_path / str(number)
        shutil.copytree(made, folder)
        if number:
            path = folder / dice.choice(files)
            flip(path, dice.randrange(path.stat().st_size), dice.randrange(8))
        try:
            theirs = bagit.Bag(str(folder)).is_valid(processes=1)
        except (bagit.BagError, ValueError, LookupError):
            theirs = False
        status, _, _ = run(capsys, str(folder))
        assert (status is Exit.CLEAR) is theirs is (number == 0), files


def by_hand(
    folder: Path, listed: dict[bytes, bytes], *, version: str = "1.0", encoding: str = "UTF-8"
) -> Path:
    """A bag with these payload files, listed under these names."""
    (folder / "data").mkdir(parents=True)
    tags = f"BagIt-Version: {version}\nTag-File-Character-Encoding: {encoding}\n"
    (folder / "bagit.txt").write_text(tags)
    lines = []
    for number, (there, name) in enumerate(listed.items()):
        data = bytes([number]) * 10
        with open(os.path.join(os.fsencode(folder), there), "wb") as out:
            out.write(data)
        lines.append(hashlib.sha256(data).hexdigest().encode() + b"  " + name + b"\n")
    (folder / "manifest-sha256.txt").write_bytes(b"".join(lines))
    return folder


@pytest.mark.parametrize(
    ("there", "listed", "encoding"),
    [
        (b"data/a\nb.wav", b"data/a%0Ab.wav", "UTF-8"),  # RFC 8493, 2.1.3
        (b"data/a\rb.wav", b"data/a%0db.wav", "UTF-8"),
        (b"data/50%.wav", b"data/50%25.wav", "UTF-8"),
        (b"data/50%.wav", b"data/50%.wav", "UTF-8"),
        (b"data/50%25.wav", b"data/50%25.wav", "UTF-8"),  # written uncoded, as many tools do
        ("data/fj\u00f8rd.wav".encode(), "data/fj\u00f8rd.wav".encode("latin-1"), "ISO-8859-1"),
        ("data/cafe\u0301.wav".encode(), "data/caf\u00e9.wav".encode(), "UTF-8"),
    ],
)
def test_names_in_manifests(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], there: bytes, listed: bytes, encoding: str
) -> None:
    folder = by_hand(tmp_path / "bag", {there: listed}, encoding=encoding)
    status, results, last = run(capsys, str(folder))
    assert status is Exit.CLEAR, results
    assert last["counts"]["intact"] == 1


@pytest.mark.parametrize("name", [b"/etc/passwd", b"../up", b"data/../../up", b"~/x", b"data/a\0b"])
def test_paths_that_leave_the_bag_are_none(name: bytes) -> None:
    assert plain_path(name) is None


@pytest.mark.parametrize(("version", "status"), [("1.0", Exit.LISTEN), ("0.97", Exit.CLEAR)])
def test_from_1_0_every_payload_manifest_lists_every_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], version: str, status: Exit
) -> None:
    """RFC 8493, 3; before 1.0 one of them was enough (draft-kunze-bagit-14)."""
    names = {b"data/a": b"data/a", b"data/b": b"data/b"}
    folder = by_hand(tmp_path / "bag", names, version=version)
    line = f"{hashlib.md5(bytes(10)).hexdigest()}  data/a\n"
    (folder / "manifest-md5.txt").write_text(line)
    got, results, _ = run(capsys, str(folder))
    assert got is status, results


def test_payload_oxum_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = by_hand(tmp_path / "bag", {b"data/a": b"data/a"})
    (folder / "bag-info.txt").write_text("Payload-Oxum: ten\n")
    status, results, _ = run(capsys, str(folder))
    assert "not bytes.files" in results["bag-info.txt"]["text"]
    assert status is Exit.REDO
