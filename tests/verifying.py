"""Recorded folders, and the ``verify`` command as a caller sees it."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from watcher.cli import main
from watcher.exits import Exit
from watcher.ledger import Ledger, State
from watcher.report import from_json
from watcher.rows import CaptureRow

KINDS = {
    "wav": {"format": "WAV", "subtype": "PCM_24"},
    "rf64": {"format": "RF64", "subtype": "PCM_24"},
    "w64": {"format": "W64", "subtype": "PCM_24"},
    "aiff": {"format": "AIFF", "subtype": "PCM_24"},
    "caf": {"format": "CAF", "subtype": "PCM_24"},
    "flac": {"format": "FLAC", "subtype": "PCM_24"},
    "aifc": {"format": "AIFF", "subtype": "FLOAT"},
    "rifx": {"format": "WAV", "subtype": "PCM_24", "endian": "BIG"},
    "bw64": {"format": "RF64", "subtype": "PCM_24"},
}


def capture(path: Path, frames: int = 4000, seed: int = 0, channels: int = 2) -> Path:
    noise = np.random.default_rng(seed).normal(0, 0.02, (frames, channels))
    soundfile.write(path, noise, 96_000, **KINDS[path.suffix[1:]])
    if path.suffix == ".bw64":  # ITU-R BS.2088: as RF64, but for the name
        with path.open("r+b") as stream:
            stream.write(b"BW64")
    return path


def recorded(folder: Path, *names: str) -> None:
    """Captures with reports beside them."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, name in enumerate(names):
        capture(folder / name, seed=number)
    assert main(["check", "--json", str(folder)]) in (Exit.CLEAR, Exit.LISTEN, Exit.REDO)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[Exit, dict[str, Any], Any]:
    """Exit status, result by name, counts."""
    capsys.readouterr()
    status = main(["verify", "--json", *arguments])
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    return status, {os.path.basename(line["path"]): line for line in lines[:-1]}, lines[-1]


def checked(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[Exit, dict[str, Any]]:
    """Exit status and report of a check of one capture."""
    capsys.readouterr()
    status = main(["check", "--json", *arguments])
    (line,) = capsys.readouterr().out.splitlines()
    return status, json.loads(line)


def known(ledger: Ledger, folder: Path, stem: str, *names: str) -> CaptureRow:
    """Put a checked capture of a folder into a ledger, as the daemon would have it."""
    from watcher.files import Identity

    files = [folder / name for name in names]
    report_path = folder / f"{stem}.vigil.json"
    with ledger.commit():
        row = ledger.put(
            root=ledger.root(folder),
            path=folder / stem,
            is_set=len(names) > 1,
            files=[(file, Identity.of(file.stat())) for file in files],
            state=State.WAITING,
        )
        report = from_json(report_path.read_bytes())
        ledger.record(row.id, report, report_path=report_path, paths=files)
    found = ledger.capture(row.path)
    assert found is not None
    return found
