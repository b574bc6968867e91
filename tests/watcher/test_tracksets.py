"""Files of one take become one capture, by name; what is wrong with a set is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from watcher.settings import TrackSets
from watcher.tracksets import Capture, grouped, token


@pytest.mark.parametrize(
    ("name", "expected"),
    [  # common practice in naming the files of a take
        ("take_03_tr01", ("take_03", 1)),
        ("take_03-Trk 12", ("take_03", 12)),
        ("song.ch2", ("song", 2)),
        ("ch02", ("", 2)),
        ("track 7", ("", 7)),
        ("tr1_take_03", ("take_03", 1)),
        ("reel 4 tr3 pass 2", ("reel 4 pass 2", 3)),
        ("overture.L", ("overture", 1)),
        ("overture.r", ("overture", 2)),
        ("take_03", None),  # bare numbers are takes
        ("take 12", None),
        ("orchestra1", None),  # no separator in front of a token
        ("patch3", None),
        ("track", None),
        ("chorus_1", None),
    ],
)
def test_tokens(name: str, expected: tuple[str, int] | None) -> None:
    assert token(name) == expected


def test_a_pattern_of_the_sheet_wins() -> None:
    assert token("take_03_07", "{take}_{track}") == ("take_03", 7)
    assert token("take_03_tr07", "{take}_{track}") is None


def write(path: Path, *, frames: int = 200, channels: int = 1, rate: int = 96_000) -> Path:
    soundfile.write(path, np.zeros((frames, channels), np.int32), rate, subtype="PCM_24")
    return path


def group(paths: list[Path], **rule: object) -> list[Capture]:
    return grouped(paths, lambda _: TrackSets(**rule))  # type: ignore[arg-type]


def test_two_takes_in_one_folder_stay_apart(tmp_path: Path) -> None:
    names = ["a_tr1.wav", "a_tr2.wav", "b_tr1.wav", "b_tr2.wav", "solo.wav"]
    captures = group([write(tmp_path / name) for name in names])
    assert [(c.name, c.numbers) for c in captures] == [
        ("a", (1, 2)),
        ("b", (1, 2)),
        ("solo.wav", ()),
    ]
    assert captures[0].report_stem.name == "a.set"


def test_a_multichannel_file_with_a_token_is_its_own_capture(tmp_path: Path) -> None:
    paths = [write(tmp_path / f"a_tr{n}.wav", channels=4) for n in (1, 2)]
    assert [c.is_set for c in group(paths)] == [False, False]


def test_pieces_called_track_only_are_no_set_unless_their_lengths_say_so(tmp_path: Path) -> None:
    pieces = [write(tmp_path / f"track {n}.wav", frames=100 * n) for n in (1, 2, 3)]
    assert [c.is_set for c in group(pieces)] == [False] * 3
    other = tmp_path / "take 5"
    other.mkdir()
    rows = [write(other / f"track {n}.wav") for n in (1, 2, 3)]
    assert [(c.name, c.numbers) for c in group(rows)] == [("take 5", (1, 2, 3))]


def test_a_short_track_does_not_break_up_its_set(tmp_path: Path) -> None:
    paths = [write(tmp_path / "a.L.wav"), write(tmp_path / "a.R.wav", frames=77)]
    assert [c.numbers for c in group(paths)] == [(1, 2)]


def test_sets_can_be_switched_off(tmp_path: Path) -> None:
    paths = [write(tmp_path / f"a_tr{n}.wav") for n in (1, 2)]
    assert [c.is_set for c in group(paths, enabled=False)] == [False, False]


@given(
    st.lists(
        st.tuples(st.sampled_from(["a", "b c", ""]), st.integers(0, 30), st.booleans()),
        unique=True,
        max_size=20,
    )
)
def test_every_file_is_in_exactly_one_capture(names: list[tuple[str, int, bool]]) -> None:
    paths = [
        Path("/x") / (f"{take}_tr{number}.wav" if tracks else f"{take}_{number}.wav")
        for take, number, tracks in names
    ]
    captures = grouped(paths, lambda _: TrackSets(), lambda _: None)
    assert sorted(p for c in captures for p in c.files) == sorted(paths)
