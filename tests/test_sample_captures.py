"""The program's reports on the sample captures, held against the truth written by hand."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from sample_captures.make import SEED, SHEETS, TAKES, make, make_one
from sample_captures.truth import Truth, differences, load
from watcher import check, report
from watcher.settings import load as settings

TRUTH = load()
Reports = Mapping[str, Mapping[str, Any]]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("samples")
    make(made)
    return made


@pytest.fixture(scope="module")
def reports(folder: Path) -> Reports:
    """The JSON form of every capture's report, by its path below the folder."""
    jobs = check.plan([str(folder)], settings(None))
    found = {}
    for job in jobs:
        values = report.plain(check.run_job(job, keep=False).report)
        place = Path(values["capture"]["folder"]).relative_to(folder) / values["capture"]["name"]
        found[str(place)] = values
    return found


@pytest.mark.parametrize("truth", TRUTH, ids=lambda t: t.path)
def test_each_capture_yields_what_is_written_and_nothing_else(
    truth: Truth, reports: Reports
) -> None:
    assert differences(truth, reports[truth.path]) == []


def test_every_capture_made_has_its_truth() -> None:
    assert [t.path for t in TRUTH] == [t.path for t in TAKES]
    assert {Path(t.path).parent.name for t in TAKES} == set(SHEETS)


def test_the_folder_stays_small(folder: Path) -> None:
    assert sum(f.stat().st_size for f in folder.rglob("*") if f.is_file()) < 200_000_000


def test_other_readers_agree_about_the_whole_files(folder: Path) -> None:
    """libsndfile as an independent reader of what wavefile.py writes."""
    for take in TAKES:
        info = soundfile.info(folder / take.path)
        kept = take.seconds if take.kept_s is None else take.kept_s
        assert (info.samplerate, info.channels, info.subtype, info.frames) == (
            take.rate_hz,
            take.tracks,
            "PCM_24",
            round(kept * take.rate_hz),
        )


def test_the_lost_buffer_lies_where_the_truth_says(folder: Path) -> None:
    x, rate = soundfile.read(folder / "reel_MG-08/ferry_song_take_3.wav", dtype="int32")
    nothing = np.flatnonzero((x == 0).all(axis=1))
    assert (nothing[0], nothing[-1], len(nothing)) == (2 * rate, 2 * rate + 127, 128)


def test_a_seed_gives_the_same_bytes_again_and_another_does_not(
    folder: Path, tmp_path: Path
) -> None:
    number = next(k for k, take in enumerate(TAKES) if take.rate_hz == 96_000)
    (tmp_path / TAKES[number].path).parent.mkdir()
    first = (folder / TAKES[number].path).read_bytes()
    assert make_one(tmp_path, number).read_bytes() == first
    assert make_one(tmp_path, number, SEED + 1).read_bytes() != first


# -- the comparison itself -----------------------------------------------------------------------

FOUND = {
    "check": "dropouts",
    "kind": "zero-run",
    "verdict": "redo",
    "remedy": "replay",
    "tracks": [1, 2, 3, 4],
    "start_s": 2.0,
    "text": "zeros",
}
LOST = next(t for t in TRUTH if t.path.endswith("ferry_song_take_3.wav"))


@pytest.mark.parametrize(
    ("findings", "verdict", "said"),
    [
        ([FOUND], "redo", []),
        ([FOUND], "listen", ["verdict is listen, not redo"]),
        ([], "redo", ["missing: dropouts/zero-run redo on tracks (1, 2, 3, 4) at 2.0 s"]),
        ([FOUND, FOUND], "redo", ["2 times instead of 1"]),
        ([{**FOUND, "start_s": 2.1}], "redo", ["missing", "not expected"]),
        ([{**FOUND, "tracks": [1]}], "redo", ["missing", "not expected"]),
        ([FOUND, {**FOUND, "kind": "step", "verdict": "clear"}], "redo", []),
        ([FOUND, {**FOUND, "kind": "step", "verdict": "listen"}], "redo", ["not expected"]),
    ],
)
def test_departures_from_the_truth_are_told(
    findings: list[dict[str, Any]], verdict: str, said: list[str]
) -> None:
    told = differences(LOST, {"verdict": verdict, "findings": findings})
    assert len(told) == len(said)
    assert all(t.startswith(s) for t, s in zip(told, said, strict=True))
