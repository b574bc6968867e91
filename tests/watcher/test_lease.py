"""Who has a file open for writing: asked of the kernel, with real writers. fcntl(2), F_SETLEASE."""

from __future__ import annotations

import mmap
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from watcher import lease
from watcher.lease import Lease


@pytest.fixture
def take(tmp_path: Path) -> Iterator[Path]:
    path = tmp_path / "take.wav"
    path.write_bytes(b"x" * 8192)
    lease.forget_filesystems()
    lease.ignore_breaks()
    if lease.test(path) is Lease.UNKNOWN:
        pytest.skip("the filesystem of the test's folder is none whose leases are known to tell")
    yield path
    lease.forget_filesystems()


def test_free_and_open_for_reading(take: Path) -> None:
    assert lease.test(take) is Lease.FREE
    with take.open("rb"):
        assert lease.test(take) is Lease.FREE


def test_open_for_writing_here(take: Path) -> None:
    with take.open("r+b"):
        assert lease.test(take) is Lease.BUSY
    assert lease.test(take) is Lease.FREE


def test_a_mapping_without_a_descriptor(take: Path) -> None:
    with take.open("r+b") as stream:
        mapped = mmap.mmap(stream.fileno(), 0)
    assert lease.test(take) is Lease.BUSY
    mapped.close()
    assert lease.test(take) is Lease.FREE


def test_a_writer_in_another_process_until_it_is_killed(take: Path) -> None:
    code = "import sys, time; f = open(sys.argv[1], 'ab'); print(flush=True); time.sleep(60)"
    with subprocess.Popen(
        [sys.executable, "-S", "-c", code, str(take)], stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        writer.stdout.readline()
        assert lease.test(take) is Lease.BUSY
        writer.kill()
        writer.wait()
    assert lease.test(take) is Lease.FREE


def test_nothing_is_left_held(take: Path) -> None:
    """A lease that is kept would make a writer wait."""
    with take.open("rb") as stream:
        assert lease.test_fd(stream.fileno()) is Lease.FREE
        began = time.monotonic()
        os.close(os.open(take, os.O_WRONLY | os.O_NONBLOCK))
        assert time.monotonic() - began < 1


def test_no_regular_file_blocks_or_answers(tmp_path: Path, take: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    os.symlink(take, tmp_path / "link.wav")
    for name in ("pipe.wav", "link.wav", "none.wav", "."):
        assert lease.test(tmp_path / name) is Lease.UNKNOWN


@pytest.mark.parametrize("kind", ["nfs4", "cifs", "overlay", "zfs", None])
def test_where_leases_are_not_known_to_tell_free_means_unknown(
    take: Path, monkeypatch: pytest.MonkeyPatch, kind: str | None
) -> None:
    monkeypatch.setattr(lease, "filesystem", lambda device: kind)
    assert lease.test(take) is Lease.UNKNOWN
    with take.open("r+b"):
        assert lease.test(take) is Lease.BUSY


def test_refused_means_unknown(take: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither owner nor CAP_LEASE: EACCES."""

    def refused(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("watcher.lease.fcntl.fcntl", refused)
    assert lease.test(take) is Lease.UNKNOWN


MOUNTINFO = b"""\
22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
40 22 0:45 / /srv/with\\040space rw - nfs4 host:/x rw
41 22 0:46 /a /srv/one rw shared:7 master:2 - fuse.sshfs x rw
"""  # the form of proc_pid_mountinfo(5): optional fields before the dash, blanks as octal


def test_filesystems_by_device(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "read_bytes", lambda _: MOUNTINFO)
    lease.forget_filesystems()
    kinds = [lease.filesystem(os.makedev(*d)) for d in ((8, 1), (0, 45), (0, 46), (9, 9))]
    assert kinds == ["ext4", "nfs4", "fuse.sshfs", None]
    assert lease.is_network(os.makedev(0, 45))
    assert not lease.is_network(os.makedev(8, 1))
    assert lease.keeps_inodes(os.makedev(8, 1))
    assert not lease.keeps_inodes(os.makedev(0, 46))
    assert lease.is_mount_point(Path("/srv/with space"))
    assert not lease.is_mount_point(Path("/srv"))
    lease.forget_filesystems()
