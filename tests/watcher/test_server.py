"""The daemon on a server: its unit, its log, its manager, its neighbours, and the captures."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from running import PROJECT, Server, record, wait_for

from watcher import commands_daemon, lease
from watcher.errors import UsageError, WatcherError
from watcher.ledger import Ledger, LedgerError, exists
from watcher.lock import AlreadyRunning, held, hold
from watcher.logs import Log
from watcher.notify import tell, watchdog_s
from watcher.settings import Settings
from watcher.unit import unit_text


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    server = Server(tmp_path)
    yield server
    server.stop()


# -- the unit ----------------------------------------------------------------------------------


def unit(settings: Settings) -> str:
    return unit_text(settings, Path("/etc/reelvigil.yaml"), user="reelvigil")


def test_the_unit_is_what_its_manager_understands(tmp_path: Path) -> None:
    """Outside peer: systemd-analyze verify."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("no systemd-analyze here")
    path = tmp_path / "reelvigil.service"
    odd = Path('/srv/reels 100% "new"')
    settings = Settings(roots=(Path("/srv/captures"), odd), reports=Path("/srv/reports"))
    path.write_text(unit(settings))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    said = [line for line in done.stderr.splitlines() if "reelvigil.service" in line]
    assert said == []


def test_the_unit_is_read_only_on_captures_where_reports_live_elsewhere() -> None:
    beside = unit(Settings(roots=(Path("/srv/captures"),)))
    assert "ReadWritePaths=/srv/captures" in beside
    assert "ReadOnlyPaths" not in beside
    apart = unit(Settings(roots=(Path("/srv/captures"),), reports=Path("/srv/reports")))
    assert "ReadOnlyPaths=/srv/captures" in apart
    assert "ReadWritePaths=/srv/captures" not in apart
    assert "ReadWritePaths=/srv/reports" in apart


def test_commands_of_the_user_may_use_the_network() -> None:
    closed = unit(Settings(roots=(Path("/srv/captures"),)))
    assert "PrivateNetwork=yes" in closed
    mails = unit(Settings(roots=(Path("/srv/captures"),), on_summary=("/usr/bin/mail", "x")))
    assert "PrivateNetwork" not in mails
    assert "RestrictAddressFamilies" not in mails


def test_folders_that_the_service_needs_and_lacks_are_told(server: Server) -> None:
    server.ledger.parent.rmdir()
    done = server.run("unit")
    assert done.stdout.startswith("[Unit]")
    assert str(server.ledger.parent) in done.stderr
    server.ledger.parent.mkdir()
    assert server.run("unit").stderr == ""


# -- log and manager ---------------------------------------------------------------------------


def test_one_event_is_one_line_whatever_is_in_it() -> None:
    stream = io.StringIO()
    log = Log(stream, managed=True)
    log.info("capture_done", path="/a\n<3>forged 'x'\x1b[31m.wav", findings=2, took_s=41.3)
    assert stream.getvalue() == (
        "<6>capture_done path='/a\\n<3>forged \\'x\\'\\x1b[31m.wav' findings=2 took_s=41.3\n"
    )


def test_without_a_manager_the_line_carries_time_and_level() -> None:
    stream = io.StringIO()
    Log(stream, managed=False).error("check_died", why="x")
    assert stream.getvalue().split()[1:] == ["error", "check_died", "why='x'"]


def test_a_fault_of_ours_is_told_line_by_line() -> None:
    stream = io.StringIO()
    try:
        raise RuntimeError("boom\nand more")
    except RuntimeError as error:
        Log(stream, managed=True).fault(error)
    lines = stream.getvalue().splitlines()
    assert len(lines) > 3
    assert all(line.startswith("<3>") for line in lines)
    assert "boom" in lines[-2] + lines[-1]


def test_a_log_that_cannot_be_written_stops_nothing() -> None:
    class Full(io.StringIO):
        def write(self, _: str) -> int:
            raise OSError(errno.ENOSPC, "no space left")

    Log(Full()).info("anything")


def test_the_manager_hears_of_start_life_and_end(tmp_path: Path, server: Server) -> None:
    """sd_notify(3). That a hung daemon is started anew rests on the WATCHDOG lines."""
    ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    ear.settimeout(60)
    ear.bind(str(tmp_path / "notify"))
    server.environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "3000000"}
    daemon = server.start()
    told = [ear.recv(4096).decode() for _ in range(4)]
    assert told[0] == "READY=1"
    assert sum(line.startswith("WATCHDOG=1") for line in told) >= 2
    daemon.send_signal(signal.SIGTERM)
    while "STOPPING=1" not in told[-1]:
        told.append(ear.recv(4096).decode())
    daemon.communicate(timeout=60)
    ear.close()


def test_telling_a_manager_that_is_gone_is_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere/socket")
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    tell("READY=1")
    assert watchdog_s() == 10.0


# -- two of them ---------------------------------------------------------------------------------


def test_the_lock_is_held_by_one_and_free_after_it(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.sqlite"
    assert held(ledger) is False
    with hold(ledger):
        assert held(ledger) is True
        with pytest.raises(AlreadyRunning, match=str(os.getpid())), hold(ledger):
            pass
    assert held(ledger) is False


def test_a_lock_that_cannot_be_made_is_told_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("no folder")
    with (
        pytest.raises(WatcherError, match="must be able to write"),
        hold(tmp_path / "state" / "ledger.sqlite"),
    ):
        pass


def test_a_ledger_on_network_storage_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lease, "is_network", lambda _: True)
    with pytest.raises(UsageError, match="local disk"):
        commands_daemon._local(tmp_path / "not yet" / "ledger.sqlite")


def test_a_second_host_leaves_an_enrolled_root_alone(tmp_path: Path, server: Server) -> None:
    """Same tree, another host; the marker tells."""
    server.config.write_text(server.config.read_text() + "instance: first\n")
    server.run("enrol", str(server.captures))
    other = Server(tmp_path / "other", captures=server.captures, instance="second")
    record(server.captures / "take.wav")
    other.start()
    try:
        wait_for(lambda: other.root_states() == ["foreign"])
        server.start()
        wait_for(server.sidecar("take.wav").exists)
        assert other.count("done") == 0
    finally:
        other.stop()


def test_a_killed_daemon_is_known_to_be_dead_at_once(server: Server) -> None:
    daemon = server.start()
    wait_for(lambda: server.ledger.exists() and server.told("status")["alive"])
    daemon.kill()
    daemon.communicate()
    told = server.run("status")
    assert told.returncode == 6
    assert "was not ended in order" in told.stdout


def test_told_twice_to_stop_it_is_gone_at_once(server: Server) -> None:
    """With a check in hand that would take very long."""
    server.config.write_text(server.config.read_text() + "read_limit_mb_s: 0.000001\n")
    record(server.captures / "take.wav")
    daemon = server.start()
    wait_for(lambda: server.count("checking"))
    began = time.monotonic()
    daemon.send_signal(signal.SIGTERM)
    time.sleep(1.0)  # two at one moment are one
    daemon.send_signal(signal.SIGTERM)
    _, log = daemon.communicate(timeout=60)
    assert time.monotonic() - began < 14  # else it waited for the check
    assert daemon.returncode == 0, log
    assert server.count("queued") == 1


# -- the captures --------------------------------------------------------------------------------


def states(folder: Path) -> dict[str, tuple[object, ...]]:
    found = {}
    for path in sorted(folder.rglob("*.wav")):
        st = path.stat()
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        found[path.name] = (digest, st.st_mode, st.st_uid, st.st_mtime_ns, st.st_ctime_ns)
    return found


def _traces(folder: Path) -> bool:
    """Whether strace is here and may do its work."""
    if shutil.which("strace") is None:
        return False
    command = ["strace", "-f", "-qq", "-o", str(folder / "probe"), "true"]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def test_nothing_ever_opens_a_capture_for_writing(tmp_path: Path, server: Server) -> None:
    """Outside peer: strace; without it, the states of the files alone tell."""
    names = ("one.wav", "two_tr1.wav", "two_tr2.wav")
    for number, name in enumerate(names):
        record(server.captures / name, seed=number)
    (server.captures / "cut.wav").write_bytes((server.captures / "one.wav").read_bytes()[:20_000])
    before = states(server.captures)
    trace = tmp_path / "trace"
    if _traces(tmp_path):
        calls = "trace=open,openat,openat2,creat,truncate,ftruncate,rename,renameat,renameat2,"
        calls += "unlink,unlinkat,utimensat,chmod,fchmodat,link,linkat"
        server.before = ["strace", "-f", "-qq", "-o", str(trace), "-e", calls]
    server.start()
    for name in ("one.wav", "two.set", "cut.wav"):
        wait_for(server.sidecar(name).exists, 180)
    server.run("signoff", str(server.captures / "one.wav"), "--by", "AB")
    server.run("verify", str(server.captures))
    server.end()
    assert states(server.captures) == before
    if not trace.exists():
        pytest.skip("no strace here: only the files were compared")
    touched = [line for line in trace.read_text(errors="replace").splitlines() if '.wav"' in line]
    assert any("O_RDONLY" in line for line in touched)
    for line in touched:
        assert "O_RDONLY" in line, line
        assert not any(flag in line for flag in ("O_CREAT", "O_TRUNC", "O_WRONLY", "O_RDWR")), line


def test_the_watch_survives_a_check_that_is_killed(server: Server) -> None:
    """The kernel may pick a worker when memory is short."""
    server.config.write_text(server.config.read_text() + "read_limit_mb_s: 0.000001\n")
    record(server.captures / "take.wav")
    daemon = server.start()
    wait_for(lambda: server.count("checking"))

    def worker() -> int | None:
        for name in os.listdir("/proc"):
            if name.isdecimal():
                try:
                    parent = Path(f"/proc/{name}/stat").read_text().rsplit(")", 1)[1].split()[1]
                except OSError:
                    continue
                if int(parent) == daemon.pid:
                    return int(name)
        return None

    number = wait_for(worker)
    os.kill(number, signal.SIGKILL)
    wait_for(lambda: server.count("retry") == 1)
    report = json.loads(server.sidecar("take.wav").read_text())
    assert "killed" in report["findings"][0]["text"]
    assert server.told("status")["alive"]


# -- odd outputs ---------------------------------------------------------------------------------


def test_no_output_and_no_locale_make_a_command_fail(server: Server) -> None:
    """A reader that goes away, an ASCII locale with a name that is no text."""
    odd = os.fsencode(server.captures) + b"/odd \xff\x1b[31m take.wav"
    os.rename(record(server.captures / "take.wav"), odd)
    server.start()
    wait_for(lambda: server.count("done"))
    server.end()
    command = [sys.executable, "-m", "watcher", "summary", "--config", str(server.config)]
    environment = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "FORCE_COLOR": "1"}
    plain = subprocess.run(command, cwd=PROJECT, env=environment, capture_output=True, check=False)
    assert plain.returncode == 0, plain.stderr
    assert b"odd \\xff\\x1b[31m take.wav" in plain.stdout
    assert b"\x1b" not in plain.stdout
    reader, writer = os.pipe()
    os.close(reader)
    gone = subprocess.run(command, cwd=PROJECT, stdout=writer, stderr=subprocess.PIPE, check=False)
    os.close(writer)
    assert gone.stderr == b""
    report = json.loads(next(server.captures.glob("*.vigil.json")).read_bytes())
    assert "name_b64" in report["capture"]


def test_a_ledger_of_another_account_is_told_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(_: object) -> os.stat_result:
        raise PermissionError(errno.EACCES, "Permission denied")

    with monkeypatch.context() as patched:
        patched.setattr("watcher.ledger.os.stat", refused)
        with pytest.raises(LedgerError, match=r"Permission denied.*daemon's account"):
            exists(tmp_path / "ledger.sqlite")
    assert not exists(tmp_path / "ledger.sqlite")


def test_readers_of_a_damaged_ledger_are_told_what_will_happen(server: Server) -> None:
    Ledger(server.ledger).close()
    data = bytearray(server.ledger.read_bytes())
    data[4096:] = os.urandom(len(data) - 4096)
    server.ledger.write_bytes(data)
    done = server.run("summary")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "ledger" in done.stderr
