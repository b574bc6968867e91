"""Does anybody hold a file open for writing? Asked of the kernel by a read lease.

A read lease is refused while any descriptor or shared mapping on this machine may write to the
file (fcntl(2), ``F_SETLEASE``); smbd's on behalf of a client count too. The lease is given back at
once: a writer's ``open`` waits while it is held, so nothing stands between taking and dropping,
and a file that grows is never asked about.

What it does not prove: writers on other machines behind a network mount, and mappings without a
descriptor on an overlay, are not seen. Where the filesystem is not known to tell, FREE becomes
UNKNOWN.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import re
import signal
import threading
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Final

from watcher.errors import UnreadError
from watcher.files import open_capture

# Local filesystems on which the lease was seen to tell the truth (ext4, xfs, tmpfs: measured) or
# which keep leases in the same generic kernel code (from memory).
TELLING: Final = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "tmpfs"})
# Mounts of other machines' storage: no events, no leases to rely on. From memory.
NETWORK: Final = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "ceph", "glusterfs", "lustre", "afs", "beegfs"}
    | {"fuse.sshfs", "fuse.glusterfs", "fuse.rclone", "gpfs", "ocfs2", "gfs2", "davfs"}
)
_OCTAL: Final = re.compile(rb"\\([0-7]{3})")


class Lease(StrEnum):
    """Who may be writing to a file."""

    FREE = "free"
    BUSY = "busy"
    UNKNOWN = "unknown"


def test(path: Path) -> Lease:
    """Whether a writer has a file open now. Not for files that grow: see above."""
    try:
        with open_capture(path) as fd:
            return test_fd(fd)
    except UnreadError as error:
        # O_NONBLOCK: somebody else's write lease refuses the open itself
        cause = error.__cause__
        again = isinstance(cause, OSError) and cause.errno == errno.EAGAIN
        return Lease.BUSY if again else Lease.UNKNOWN


def test_fd(fd: int) -> Lease:
    """The same for a file that is open for reading."""
    try:
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as error:
        # neither the owner of the file nor CAP_LEASE (EACCES), or no leases there (EINVAL)
        return Lease.BUSY if error.errno == errno.EAGAIN else Lease.UNKNOWN
    return Lease.FREE if filesystem(os.fstat(fd).st_dev) in TELLING else Lease.UNKNOWN


_types: dict[int, str] = {}


def filesystem(device: int) -> str | None:
    """The type of the filesystem on a device; None where the kernel does not list it."""
    if device not in _types:
        forget_filesystems()
        _types.update(_listed())
    return _types.setdefault(device, "") or None


def forget_filesystems() -> None:
    """After mounts may have changed: device numbers are given anew."""
    _types.clear()


def _mounts() -> Iterator[tuple[bytes, int, str]]:
    """Place, device and type of every mount, from /proc/self/mountinfo (proc_pid_mountinfo(5))."""
    try:
        lines = Path("/proc/self/mountinfo").read_bytes().splitlines()
    except OSError:
        return
    for line in lines:
        fields, _, rest = line.partition(b" - ")
        parts = fields.split()
        major, minor = parts[2].split(b":")
        place = _OCTAL.sub(lambda found: bytes([int(found[1], 8)]), parts[4])
        kind = rest.split()[0].decode("ascii", "replace")
        yield place, os.makedev(int(major), int(minor)), kind


def _listed() -> dict[int, str]:
    """Device to type."""
    found = {}
    for place, device, kind in _mounts():
        found[device] = kind
        if kind == "btrfs":  # subvolumes have device numbers of their own
            with contextlib.suppress(OSError):
                found[os.stat(place).st_dev] = kind
    return found


def is_network(device: int) -> bool:
    """Whether a device is another machine's storage, where no event tells of remote writers."""
    return filesystem(device) in NETWORK


def ignore_breaks() -> None:
    """A writer that meets our lease sends SIGIO, whose default would end the process."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGIO, signal.SIG_IGN)


def keeps_inodes(device: int) -> bool:
    """Whether a file keeps its inode number from mount to mount there. From memory."""
    kind = filesystem(device) or ""
    return not kind.startswith("fuse") and kind not in {"vfat", "exfat", "msdos"}


def is_mount_point(path: Path) -> bool:
    """Whether something is mounted there of its own (a btrfs subvolume is not)."""
    return os.fsencode(path) in {place for place, _, _ in _mounts()}
