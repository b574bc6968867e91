"""Sum files against coreutils, both directions."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.sumfiles import SumLine, escaped, is_sum_file_name, parse, unescaped, written

TOOLS = {"md5": "md5sum", "sha1": "sha1sum", "sha256": "sha256sum", "sha512": "sha512sum"}
TOOLS["blake2b"] = "b2sum"
NAMES = [
    b"plain.wav",
    b" leading and  inner spaces.wav",
    b"back\\slash.wav",
    b"new\nline.wav",
    b"carriage\rreturn.wav",
    b"*star.wav",
    b"\xff\xfe not utf8.wav",
    b"trailing backslash\\",
    b"brackets (1) = 2.wav",
    "fj\u00f8rd.wav".encode(),
]


@pytest.fixture
def files(tmp_path: Path) -> Path:
    for number, name in enumerate(NAMES):
        with open(os.fsencode(tmp_path) + b"/" + name, "wb") as out:
            out.write(bytes([number]) * (number + 1))
    return tmp_path


def run(tool: str, *arguments: bytes | str, cwd: Path) -> bytes:
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} (coreutils) is not at hand")
    done = subprocess.run([tool, *arguments], cwd=cwd, capture_output=True, check=True)
    return done.stdout


@pytest.mark.parametrize("options", [[], ["-b"], ["--tag"]], ids=["text", "binary", "bsd"])
@pytest.mark.parametrize("algorithm", TOOLS)
def test_what_coreutils_writes_is_read(files: Path, algorithm: str, options: list[str]) -> None:
    data = run(TOOLS[algorithm], *options, b"--", *NAMES, cwd=files)
    good, bad = parse(data, name="x.b2" if algorithm == "blake2b" else "x")
    assert bad == []
    assert [(line.name, line.algorithm, line.digest) for line in good] == [
        (name, algorithm, hashlib.new(algorithm, bytes([n]) * (n + 1)).digest())
        for n, name in enumerate(NAMES)
    ]


def test_what_we_write_coreutils_accepts(files: Path) -> None:
    lines = [(hashlib.sha256(bytes([n]) * (n + 1)).digest(), name) for n, name in enumerate(NAMES)]
    (files / "sums").write_bytes(written(lines))
    run("sha256sum", "--check", "--strict", "sums", cwd=files)


DIGEST = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


@pytest.mark.parametrize(
    ("line", "name"),
    [  # the variants of standards that readers must accept; GNU coreutils manual and practice
        (f"{DIGEST}  a b.wav\r\n", b"a b.wav"),
        (f"{DIGEST.upper()} *a.wav\n", b"a.wav"),
        (f"{DIGEST} a.wav\n", b"a.wav"),
        (f"{DIGEST}   a.wav\n", b" a.wav"),
        (f"SHA256 (a.wav) = {DIGEST}", b"a.wav"),
        (f"\ufeff{DIGEST}  a.wav\n", b"a.wav"),
    ],
)
def test_variants(line: str, name: bytes) -> None:
    good, bad = parse(line.encode())
    assert bad == []
    assert good == [SumLine(name=name, algorithm="sha256", digest=bytes.fromhex(DIGEST), line=1)]


@pytest.mark.parametrize(
    "line",
    [f"{DIGEST[:-1]}  a.wav", f"{DIGEST}", "hello", f"\\{DIGEST}  a\\x.wav", "SHA256 (a) = ff"],
)
def test_what_says_nothing_is_told(line: str) -> None:
    good, bad = parse(line.encode())
    assert good == []
    assert [item.line for item in bad] == [1]


def test_comments_and_empty_lines_are_passed_over() -> None:
    assert parse(b"# made by hand\n\n") == ([], [])


@given(st.binary(min_size=1))
def test_escapes_go_back(name: bytes) -> None:
    assert unescaped(escaped(name)) == name
    assert b"\n" not in escaped(name)


@given(st.lists(st.tuples(st.binary(min_size=32, max_size=32), st.binary(min_size=1))))
def test_written_is_read_back(lines: list[tuple[bytes, bytes]]) -> None:
    good, bad = parse(written(lines))
    assert bad == []
    assert [(line.digest, line.name) for line in good] == lines


@given(st.binary())
def test_any_bytes_are_read_without_an_accident(data: bytes) -> None:
    parse(data)


@pytest.mark.parametrize(
    ("name", "is_one"),
    [
        ("SHA256SUMS", True),
        ("md5sum.txt", True),
        ("take.wav.md5", True),
        ("checksums.sha256", True),
        ("reel.sha512", True),
        ("take.wav", False),
        ("notes.txt", False),
        ("manifest-sha256.txt", False),
    ],
)
def test_names(name: str, is_one: bool) -> None:
    assert is_sum_file_name(name) is is_one
