"""Captures that a decoder reads: what of them is the converter's, and what the report says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from watcher.cli import main
from watcher.exits import Exit


def checked(
    path: Path, capsys: pytest.CaptureFixture[str], **kind: Any
) -> tuple[Exit, dict[str, Any]]:
    noise = np.random.default_rng(1).normal(0, 0.02, (48_000, 2))
    soundfile.write(path, noise, 48_000, **kind)
    status = main(["check", "--json", str(path)])
    return status, json.loads(capsys.readouterr().out)


def told(report: dict[str, Any]) -> list[tuple[str, str]]:
    return [
        (f["verdict"], f["remedy"]) for f in report["findings"] if f["kind"] == "container-type"
    ]


@pytest.mark.parametrize(
    ("container", "subtype", "named"),
    [
        ("OGG", "VORBIS", "Vorbis"),
        ("OGG", "OPUS", "Opus"),
        ("MP3", "MPEG_LAYER_III", "MP3"),
    ],
)
def test_a_coding_with_loss_is_told_and_has_no_word_length(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], container: str, subtype: str, named: str
) -> None:
    status, report = checked(tmp_path / "a.ogg", capsys, format=container, subtype=subtype)
    assert told(report) == [("listen", "recopy")]
    assert any(f"coded with loss ({named})" in f["text"] for f in report["findings"])
    assert report["capture"]["word_length"] is None
    assert status is Exit.LISTEN
    main(["show", str(tmp_path)])
    assert "2 tracks, 48 kHz, 00:00:01.000" in capsys.readouterr().out


@pytest.mark.parametrize("subtype", ["ALAW", "ULAW", "IMA_ADPCM", "GSM610"])
def test_so_is_one_inside_wave(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], subtype: str
) -> None:
    noise = np.zeros(48_000) if subtype == "GSM610" else np.zeros((48_000, 2))  # GSM: one track
    soundfile.write(tmp_path / "a.wav", noise, 48_000, subtype=subtype)
    main(["check", "--json", str(tmp_path / "a.wav")])
    assert told(json.loads(capsys.readouterr().out)) == [("listen", "recopy")]


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("a.flac", {"subtype": "PCM_24"}),
        ("a.caf", {"subtype": "ALAC_24"}),
        ("a.au", {"subtype": "FLOAT"}),
        ("a.wav", {"subtype": "DOUBLE"}),
    ],
)
def test_one_that_gives_all_back_is_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, kind: dict[str, Any]
) -> None:
    _, report = checked(tmp_path / name, capsys, **kind)
    assert told(report) == []
    assert report["capture"]["word_length"] in (24, 32, 64)


@pytest.mark.parametrize(("name", "container"), [("a.wav", "FLAC"), ("a.flac", "WAV")])
def test_a_name_that_says_otherwise_is_a_note(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, container: str
) -> None:
    _, report = checked(tmp_path / name, capsys, format=container, subtype="PCM_24")
    assert told(report) == [("clear", "none")]
