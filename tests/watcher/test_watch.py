"""The daemon as it is really run: a recorder writes files, a person reads what came of it."""

from __future__ import annotations

import json
import os
import random
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from running import Server, record, wait_for


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    server = Server(tmp_path)
    yield server
    server.stop()


def test_a_night_and_its_morning(server: Server) -> None:
    daemon = server.start()
    # one written in place with a pause, one renamed in, one that is never finished
    whole = record(server.captures.parent / "whole.wav").read_bytes()
    with (server.captures / "grown.wav").open("wb") as stream:
        for at in range(0, len(whole), len(whole) // 4):
            stream.write(whole[at : at + len(whole) // 4])
            stream.flush()
            time.sleep(0.5)
            assert not server.sidecar("grown.wav").exists()
    os.rename(record(server.captures.parent / "moved.tmp", seed=2), server.captures / "moved.wav")
    (server.captures / "broken.wav").write_bytes(whole[:20_000])
    for name in ("grown.wav", "moved.wav", "broken.wav"):
        wait_for(server.sidecar(name).exists)
    report = json.loads(server.sidecar("broken.wav").read_text())
    assert "truncated" in [finding["kind"] for finding in report["findings"]]

    status = server.told("status")
    assert status["alive"] is True
    second = server.run("watch")
    assert second.returncode == 6
    assert "another daemon" in second.stderr

    morning = server.told("summary")
    by_heading = {
        item["heading"]: [row["name"] for row in item["captures"]] for item in morning["headings"]
    }
    assert by_heading["file"] == ["broken.wav"]
    assert morning["checked"]["captures"] == 3
    assert morning["alive"] is True

    # a person decides; the summary stops asking
    signed = server.run("signoff", str(server.captures / "broken.wav"), "--by", "QA")
    assert signed.returncode == 0, signed.stderr
    morning = server.told("summary")
    assert all(not h["captures"] for h in morning["headings"] if h["heading"] == "file")

    # content changes behind its back: checked again, said, and open again
    data = bytearray((server.captures / "moved.wav").read_bytes())
    data[5000] ^= 0x10
    (server.captures / "moved.wav").write_bytes(data)

    def altered() -> bool:
        found = json.loads(server.sidecar("moved.wav").read_text())["findings"]
        return "altered" in [finding["kind"] for finding in found]

    wait_for(altered)

    began = time.monotonic()
    daemon.send_signal(signal.SIGTERM)
    _, log = daemon.communicate(timeout=30)
    assert time.monotonic() - began < 25
    assert daemon.returncode == 0, log
    assert log.count("capture_done") == 4, log
    assert server.run("status").returncode == 6

    # started again it knows everything and checks nothing
    daemon = server.start()
    time.sleep(4)
    daemon.send_signal(signal.SIGTERM)
    _, log = daemon.communicate(timeout=30)
    assert "check_began" not in log


def test_a_lost_ledger_comes_back_from_the_reports(server: Server) -> None:
    for number in range(3):
        record(server.captures / f"take_{number}.wav", seed=number)
    daemon = server.start()
    wait_for(lambda: all(server.sidecar(f"take_{n}.wav").exists() for n in range(3)))
    daemon.send_signal(signal.SIGTERM)
    daemon.communicate(timeout=30)
    for part in server.ledger.parent.iterdir():
        part.unlink()
    daemon = server.start()
    wait_for(lambda: server.count("done") == 3)
    daemon.send_signal(signal.SIGTERM)
    _, log = daemon.communicate(timeout=30)
    assert log.count("capture_known") == 3
    assert "check_began" not in log


def test_killed_again_and_again_it_loses_nothing(server: Server) -> None:
    names = [f"take_{number}.wav" for number in range(6)]
    for number, name in enumerate(names):
        record(server.captures / name, seed=number)
    dice = random.Random(1)
    for _ in range(5):
        daemon = server.start()
        time.sleep(dice.uniform(1.5, 4.0))
        daemon.kill()
        daemon.communicate()
    daemon = server.start()
    wait_for(lambda: all(server.sidecar(name).exists() for name in names))
    wait_for(lambda: server.count("done") == len(names))
    daemon.send_signal(signal.SIGTERM)
    daemon.communicate(timeout=30)
    left = [p.name for p in server.captures.iterdir() if p.name.endswith(".tmp")]
    assert left == []
    for name in names:
        assert json.loads(server.sidecar(name).read_text())["capture"]["name"] == name


def test_a_broken_configuration_is_told_and_the_good_one_kept(server: Server) -> None:
    daemon = server.start()
    wait_for(lambda: server.ledger.exists() and server.told("status")["alive"])
    good = server.config.read_text()
    server.config.write_text(good + "quiet: 5\n")
    daemon.send_signal(signal.SIGHUP)
    record(server.captures / "after.wav")
    wait_for(server.sidecar("after.wav").exists)
    server.config.write_text(good)
    troubles = server.told("status")["troubles"]
    assert any("quiet" in trouble["text"] for trouble in troubles)
    daemon.send_signal(signal.SIGHUP)
    wait_for(lambda: server.told("status")["troubles"] == [])
