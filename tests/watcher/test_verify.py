"""A folder against its records, with coreutils and the bagit library as outside peers."""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from damage_files import flip, grow
from verifying import KINDS, capture, recorded, run

from watcher import reverify
from watcher.cli import main
from watcher.exits import Exit
from watcher.files import shown


def test_every_state(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path, "same.wav", "flipped.wav", "gone.wav", "moved.wav", "secret.wav")
    capture(tmp_path / "new.wav", seed=9)
    flip(tmp_path / "flipped.wav", 5000)
    (tmp_path / "gone.wav").unlink()
    (tmp_path / "moved.wav").rename(tmp_path / "elsewhere.wav")
    st = (tmp_path / "secret.wav").stat()
    flip(tmp_path / "secret.wav", 9000)
    os.utime(tmp_path / "secret.wav", ns=(st.st_atime_ns, st.st_mtime_ns))
    status, results, last = run(capsys, str(tmp_path))
    assert {name: line["state"] for name, line in results.items()} == {
        "same.wav": "intact",
        "flipped.wav": "altered",
        "gone.wav": "missing",
        "moved.wav": "elsewhere",
        "elsewhere.wav": "unrecorded",
        "secret.wav": "altered",
        "new.wav": "unrecorded",
    }
    assert status is Exit.REDO
    assert last["counts"]["altered"] == 2
    assert results["flipped.wav"]["changed"] == "audio"
    assert results["flipped.wav"]["unannounced"] is False
    assert results["secret.wav"]["unannounced"] is True
    assert "pretend that nothing happened" in results["secret.wav"]["text"]
    assert results["moved.wav"]["found_at"].endswith("elsewhere.wav")
    assert len(set(results["flipped.wav"]["readings"])) == 1


def test_metadata_alone_is_listen_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav")
    data = (tmp_path / "a.wav").read_bytes()
    (tmp_path / "a.wav").write_bytes(data + b"LIST\x04\x00\x00\x00INFO")
    status, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["changed"] == "metadata"
    assert results["a.wav"]["grown_bytes"] == 12
    assert status is Exit.LISTEN


def test_a_change_is_placed_in_time_and_on_its_track(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """24 bit mono at 96 kHz: a mebibyte holds 349,525.3 frames, 3.641 s."""
    rng = np.random.default_rng(0)
    for number in (1, 2):
        path = tmp_path / f"t_tr{number}.wav"
        soundfile.write(path, rng.normal(0, 0.02, 1_200_000), 96_000, subtype="PCM_24")
    main(["check", "--json", str(tmp_path)])
    flip(tmp_path / "t_tr2.wav", (2 << 20) + 17)
    _, results, _ = run(capsys, str(tmp_path))
    line = results["t_tr2.wav"]
    assert line["tracks"] == ["track 2"]
    assert [(s["first_mebibyte"], s["last_mebibyte"]) for s in line["stretches"]] == [(2, 2)]
    assert line["stretches"][0]["from_s"] == pytest.approx((2 * 2**20 - 44) / 288_000, abs=0.001)
    assert line["stretches"][0]["to_s"] == pytest.approx((3 * 2**20 - 44) / 288_000, abs=0.001)


@pytest.mark.parametrize("kind", KINDS)
def test_every_flipped_bit_is_found_in_its_mebibyte(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    """Seeded flips by xor anywhere in header and audio, 115 for each of nine containers."""
    dice = random.Random(kind)
    path = capture(tmp_path / f"a.{kind}", frames=250_000)
    main(["check", "--json", str(path)])
    report = json.loads((tmp_path / f"a.{kind}.vigil.json").read_text())
    crcs = report["capture"]["files"][0]["crc32_mib"]
    whole = path.read_bytes()
    from checks.checksum import FileDigests, changed_mebibytes

    header = [dice.randrange(60) for _ in range(20)]
    for at in header + [dice.randrange(len(whole)) for _ in range(95)]:
        data = bytearray(whole)
        data[at] ^= 1 << dice.randrange(8)
        digests = FileDigests()
        digests.update(memoryview(data))
        assert digests.sha256 != report["capture"]["files"][0]["sha256"]
        assert changed_mebibytes(crcs, digests.crc32_mib) == [at >> 20]
    # and the command itself, on the last of them
    path.write_bytes(data)
    status, results, _ = run(capsys, str(tmp_path))
    assert results[path.name]["state"] == "altered"
    assert results[path.name]["stretches"][0]["first_mebibyte"] == at >> 20
    assert status in (Exit.REDO, Exit.LISTEN)


NAMES = [b"plain.wav", b"two  spaces.wav", b"back\\slash.wav", b"new\nline.wav", b"\xff\xfe.wav"]


def test_coreutils_agree_on_every_file_and_every_damage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("coreutils are not at hand")
    root = os.fsencode(tmp_path)
    for number, name in enumerate(NAMES):
        with open(root + b"/" + name, "wb") as out:
            out.write(bytes([number]) * 5000)
    for tool, sums in (("sha256sum", b"SHA256SUMS"), ("md5sum", b"MD5SUMS")):
        done = subprocess.run([tool, b"--", *NAMES], cwd=tmp_path, capture_output=True, check=True)
        (tmp_path / os.fsdecode(sums)).write_bytes(done.stdout)
    for damaged in (None, *NAMES):
        if damaged is not None:
            flip(Path(os.fsdecode(root + b"/" + damaged)), 1234)
        _, results, _ = run(capsys, str(tmp_path))
        ours = {name for name, line in results.items() if line["state"] == "intact"}
        for tool, sums in (("sha256sum", "SHA256SUMS"), ("md5sum", "MD5SUMS")):
            theirs = subprocess.run(
                [tool, "-c", sums], cwd=tmp_path, capture_output=True, check=False
            )
            assert theirs.stdout.count(b": OK") == len(ours)
        assert ours == {shown(n) for n in NAMES if n != damaged}
        if damaged is not None:
            flip(Path(os.fsdecode(root + b"/" + damaged)), 1234)


def test_sums_are_accepted_by_coreutils(tmp_path: Path) -> None:
    recorded(tmp_path, "a b.wav", "c.flac")
    os.rename(tmp_path / "c.flac", tmp_path / "new\nline.flac")
    main(["check", "--json", str(tmp_path)])
    (tmp_path / "c.flac.vigil.json").unlink()
    for options in ([], ["--from-bytes"]):
        assert main(["sums", str(tmp_path), *options]) is Exit.CLEAR
        subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=tmp_path, check=True)
    (tmp_path / "SHA256SUMS").write_text("another\n")
    assert main(["sums", str(tmp_path)]) is Exit.USAGE
    assert (tmp_path / "SHA256SUMS").read_text() == "another\n"
    assert main(["sums", "--replace", str(tmp_path)]) is Exit.CLEAR


def test_names_that_leave_the_folder_are_refused_and_never_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    inside = tmp_path / "in"
    inside.mkdir()
    (tmp_path / "secret").write_bytes(b"x")
    (inside / "link.wav").symlink_to(tmp_path / "secret")
    digest = "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881"  # SHA-256 of "x"
    names = ["../secret", str(tmp_path / "secret"), "link.wav", "a/../../secret"]
    (inside / "SHA256SUMS").write_text("".join(f"{digest}  {name}\n" for name in names))
    status, results, last = run(capsys, str(inside))
    assert status is Exit.UNREAD
    assert last["counts"]["intact"] == 0
    assert results["link.wav"]["state"] == "unread"


def test_records_that_disagree_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path, "a.wav")
    (tmp_path / "SHA256SUMS").write_text("0" * 64 + "  a.wav\n")
    status, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["state"] == "altered"
    assert "The records disagree" in results["a.wav"]["text"]
    assert status is Exit.REDO


def test_another_unicode_form_of_a_name_is_the_same_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture(tmp_path / "a.wav")
    done = subprocess.run(["sha256sum", "a.wav"], cwd=tmp_path, capture_output=True, check=True)
    os.rename(tmp_path / "a.wav", tmp_path / "fjo\u0308rd.wav")  # decomposed
    line = done.stdout.replace(b"a.wav", "fj\u00f6rd.wav".encode())  # composed
    (tmp_path / "SHA256SUMS").write_bytes(line)
    status, results, _ = run(capsys, str(tmp_path))
    (result,) = results.values()
    assert result["state"] == "intact"
    assert "another Unicode form" in result["text"]
    assert status is Exit.CLEAR


def test_quick_reads_no_byte_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav", "b.wav", "c.wav")
    flip(tmp_path / "a.wav", 5000)
    grow(tmp_path / "b.wav", b"xx")
    (tmp_path / "c.wav").rename(tmp_path / "d.wav")
    _, results, last = run(capsys, "--quick", str(tmp_path))
    assert last["quick"] is True
    assert last["bytes_read"] == 0
    assert results["a.wav"]["state"] == "intact"
    assert results["b.wav"]["state"] == "altered"
    assert results["c.wav"]["state"] == "missing"
    assert "may be there under another name" in results["c.wav"]["text"]
    assert main(["verify", "--quick", str(tmp_path)]) is Exit.REDO
    assert "no byte was read" in capsys.readouterr().out


def test_a_sample_takes_the_longest_unverified_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, *(f"{n}.wav" for n in range(4)))
    _, first, _ = run(capsys, "--sample", "50", str(tmp_path))
    _, second, _ = run(capsys, "--sample", "50", str(tmp_path))
    assert len(first) == len(second) == 2
    assert not set(first) & set(second)


def test_a_sample_does_not_say_that_a_missing_file_is_nowhere(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, *(f"{n}.wav" for n in range(4)))
    (tmp_path / "3.wav").unlink()
    _, results, _ = run(capsys, "--sample", "10", str(tmp_path))
    assert "under another name" in results["3.wav"]["text"]
    _, results, _ = run(capsys, str(tmp_path))
    assert "under another name" not in results["3.wav"]["text"]


def test_a_reading_that_differs_from_the_next_is_not_believed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(tmp_path, "a.wav")
    read = reverify.read
    calls = iter(range(10))

    def unsteady(path: bytes, *rest: Any, **more: Any) -> Any:
        reading = read(path, *rest, **more)
        number = next(calls)
        wrong = {name: bytes([number]) + digest[1:] for name, digest in reading.digests.items()}
        return reading._replace(digests=wrong)

    monkeypatch.setattr(reverify, "is_as_recorded", lambda *_: None)
    monkeypatch.setattr(reverify, "read", unsteady)
    monkeypatch.setattr(reverify, "read_past_cache", unsteady)
    status, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["state"] == "unread"
    assert "Two readings" in results["a.wav"]["text"]
    assert len(results["a.wav"]["readings"]) == 2
    assert status is Exit.UNREAD


def test_several_at_once_find_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path, *(f"{n}.wav" for n in range(6)))
    flip(tmp_path / "3.wav", 4000)
    _, one, _ = run(capsys, str(tmp_path))
    _, many, _ = run(capsys, "--jobs", "3", str(tmp_path))
    assert one == many


def test_reports_in_a_mirror_are_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = tmp_path / "store"
    (store / "reel").mkdir(parents=True)
    config = tmp_path / "reelvigil.yaml"
    config.write_text(f"reports: {tmp_path / 'reports'}\n")
    capture(store / "reel" / "a.wav")
    main(["check", "--json", "--config", str(config), str(store)])
    assert not list(store.rglob("*.vigil.json"))
    _, results, _ = run(capsys, "--config", str(config), str(store))
    assert results["a.wav"]["state"] == "intact"


def test_what_a_person_wants_done_again_is_no_record_of_what_is_played_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "again.wav", "good.wav")
    for name, verdict in (("again.wav", "redo"), ("good.wav", "clear")):
        call = ["signoff", "--by", "AB", "--verdict", verdict, str(tmp_path / name)]
        assert main(call) is Exit.CLEAR
    for name in ("again.wav", "good.wav"):
        capture(tmp_path / name, seed=7)
    _, results, _ = run(capsys, str(tmp_path))
    assert {name: line["state"] for name, line in results.items()} == {
        "again.wav": "unrecorded",
        "good.wav": "altered",
    }


def test_a_folder_with_nothing_in_it_is_wrong_usage(tmp_path: Path) -> None:
    assert main(["verify", str(tmp_path)]) is Exit.USAGE
    assert main(["verify", str(tmp_path / "absent")]) is Exit.USAGE


@pytest.mark.parametrize(
    ("algorithm", "digest"),
    [  # FIPS 180-4 and RFC 1321 examples, as in the GNU coreutils test suite: "abc"
        ("sha256", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            "sha512",
            "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
            "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
        ),
        ("md5", "900150983cd24fb0d6963f7d28e17f72"),
    ],
)
@pytest.mark.parametrize("copies", [1, 30_000])
def test_published_digests(tmp_path: Path, algorithm: str, digest: str, copies: int) -> None:
    from watcher.readings import read, read_past_cache

    path = tmp_path / "abc"
    path.write_bytes(b"abc" * copies)
    for reading in (read, read_past_cache):
        found = reading(os.fsencode(path), {algorithm})
        assert found.size == 3 * copies
        assert (found.digests[algorithm].hex() == digest) is (copies == 1)


@pytest.mark.parametrize("size", [0, 1, (64 << 10) - 1, 64 << 10, (64 << 10) + 1])
def test_small_files_are_read_the_short_way_as_well(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], size: int
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(os.urandom(size))
    subprocess.run("sha256sum a.wav > SHA256SUMS", shell=True, cwd=tmp_path, check=True)
    status, results, last = run(capsys, str(tmp_path))
    assert (status, last["bytes_read"]) == (Exit.CLEAR, size)
    assert results["a.wav"]["sha256"] in (tmp_path / "SHA256SUMS").read_text()
    path.write_bytes(bytes(byte ^ 1 for byte in path.read_bytes()) or b"x")
    assert run(capsys, str(tmp_path))[0] is Exit.REDO


@pytest.mark.parametrize(
    ("name", "inside"),
    [
        (b"./a/b.wav", b"a/b.wav"),
        (b"a//b", b"a/b"),
        (b".hidden/x", b".hidden/x"),
        (b"a/./b", b"a/b"),
        (b".//etc/passwd", b"etc/passwd"),
        *(
            (name, None)
            for name in (b"", b"/a", b"~/a", b"..", b"a/../b", b"a\0b", b"C:\\a", b"C:/a")
        ),
    ],
)
def test_listed_names_stay_within(name: bytes, inside: bytes | None) -> None:
    from watcher.truths import within

    assert within(name) == inside
