"""The daemon as it is really run: a recorder writes files, a person reads what came of it."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

PROJECT = Path(__file__).resolve().parents[2]


class Server:
    """A folder of captures, a configuration, and the command."""

    def __init__(self, folder: Path) -> None:
        self.captures = folder / "captures"
        self.captures.mkdir()
        self.config = folder / "reelvigil.yaml"
        self.ledger = folder / "state" / "ledger.sqlite"
        self.config.write_text(
            f"roots: [{self.captures}]\nledger: {self.ledger}\nquiet_s: 1\ngive_up_s: 4\n"
            "poll_s: 0.2\nscan_every_s: 2\nworkers: 2\nwhile_recording: run\n"
        )
        self.daemons: list[subprocess.Popen[str]] = []

    def start(self) -> subprocess.Popen[str]:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "watcher", "watch", "--config", str(self.config)],
            cwd=PROJECT,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        self.daemons.append(daemon)
        return daemon

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "watcher", *arguments, "--config", str(self.config)]
        return subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)

    def told(self, *arguments: str) -> Any:
        done = self.run(*arguments, "--json")
        return json.loads(done.stdout)

    def sidecar(self, name: str) -> Path:
        return self.captures / f"{name}.vigil.json"

    def stop(self) -> None:
        for daemon in self.daemons:
            if daemon.poll() is None:
                daemon.kill()
                daemon.communicate()
            assert daemon.stderr is not None
            daemon.stderr.close()


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    server = Server(tmp_path)
    yield server
    server.stop()


def wait_for(condition: Callable[[], Any], seconds: float = 90.0) -> Any:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if found := condition():
            return found
        time.sleep(0.1)
    raise AssertionError("it did not come to pass in time")


def record(path: Path, seed: int = 0, frames: int = 9600) -> Path:
    noise = np.random.default_rng(seed).normal(0, 0.02, (frames, 2))
    soundfile.write(path, noise, 96_000, subtype="PCM_24", format="WAV")
    return path


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
    wait_for(lambda: server.ledger.exists() and server.told("status")["captures"]["done"] == 3)
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
    wait_for(lambda: server.told("status")["captures"]["done"] == len(names))
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
