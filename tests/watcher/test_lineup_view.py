"""``lineup FILE...``: the table of tones by track, and its JSON."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from bench_lineup.signals import Part, line_up

from checks.measures import AzimuthLine, LineupMeasures, Measures, ToneLine, ToneTrackLine
from checks.model import Verdict
from watcher.cli import main
from watcher.exits import Exit
from watcher.lineup_view import lineup_lines
from watcher.report import CaptureLine, Expected, Made, Report, sidecar_path


def measured(tracks: int, **settings: Any) -> LineupMeasures:
    lines = tuple(
        ToneTrackLine(track=k + 1, level_dbfs=-18.0 - k, deviation_db=-1.0 * k,
                      phase_deg=10.0 * k if k != 1 else None, flutter_percent=0.03)
        for k in range(tracks)
    )  # fmt: skip
    tone = ToneLine(start_s=1.5, end_s=11.5, frequency_hz=1001.0, nominal_hz=1000.0,
                    kind="steady", tracks=lines)  # fmt: skip
    azimuth = tuple(
        AzimuthLine(track=k + 1, against=1, delay_us=3.0 * k, uncertainty_us=0.001,
                    angle_arcmin=None, inverted=k == 2)
        for k in range(1, tracks)
    )  # fmt: skip
    return LineupMeasures(tones=(tone,), speed_error_percent=0.1, azimuth=azimuth, response=(),
                          tones_found=1, **settings)  # fmt: skip


def report(lineup: LineupMeasures | None, tracks: int, names: tuple[str, ...] = ()) -> Report:
    names = (*names, *(f"track {k + 1}" for k in range(len(names), tracks)))
    return Report(
        capture=CaptureLine(name="tones.wav", folder="/store", files=(), rate_hz=96_000,
                            channels=tracks, word_length=24, encoding="pcm", frames=1,
                            duration_s=12.0, tracks=names),
        expected=Expected(values={}, sources={}),
        verdict=Verdict.CLEAR,
        findings=(),
        measures=Measures(lineup=lineup),
        made=Made(by="reelvigil 0", at="2026-01-01T00:00:00+00:00", took_s=1.0, settings="0"),
    )  # fmt: skip


@pytest.mark.parametrize("tracks", [1, 2, 8, 9, 24])
def test_it_fits_eighty_columns(tracks: int) -> None:
    lines = list(lineup_lines(report(measured(tracks), tracks, ("woodwind left", "brass\x1b[31m"))))
    assert max(map(len, lines)) <= 80
    assert all(line.isprintable() for line in lines)
    text = "\n".join(lines)
    assert f"{-18.0 - (tracks - 1):.2f}" in text  # the last track's level is there as well
    assert "+0.100 % of 1 kHz" in text


@pytest.mark.parametrize("width", [60, 50, 40])
@pytest.mark.parametrize("tracks", [1, 8, 24])
def test_it_fits_narrow_terminals(tracks: int, width: int) -> None:
    whole = measured(tracks, head_tilt_arcmin=1.25)
    lines = list(lineup_lines(report(whole, tracks), width))
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert all(f"{-18.0 - k:.2f}" in text for k in range(tracks))  # every track is there
    assert "+0.100 % of 1 kHz" in text  # what belongs together stands on one line
    assert "\N{NO-BREAK SPACE}" not in text


def test_what_was_not_measured_is_a_dash() -> None:
    lines = list(lineup_lines(report(measured(3), 3)))
    phases = lines[lines.index("  phase, degrees (positive: later)") + 2]
    assert phases.split()[2:] == ["+0.0", "-", "+20.0"]
    assert any(line.split() == ["polarity", "right", "turned"] for line in lines)


def test_a_step_is_said_and_a_zero_has_no_minus() -> None:
    whole = measured(2)
    (tone,) = whole.tones
    line = dataclasses.replace(tone.tracks[0], deviation_db=-0.001)
    lower = dataclasses.replace(tone, step_db=-20.0, frequency_hz=999.999999, tracks=(line, line))
    lines = list(lineup_lines(report(dataclasses.replace(whole, tones=(lower,)), 2)))
    assert "      taken to be recorded 20 dB lower on purpose" in lines
    assert not any("-0.00" in line for line in lines)
    assert not any("on purpose" in line for line in lineup_lines(report(whole, 2)))


def test_nothing_to_show_is_said() -> None:
    empty = LineupMeasures(tones=(), speed_error_percent=None, azimuth=(), response=())
    assert list(lineup_lines(report(empty, 2)))[1] == "  no line-up tones found"
    assert "could not be looked at" in list(lineup_lines(report(None, 2)))[1]


def test_only_the_line_up_is_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def never(*_: Any) -> None:
        raise AssertionError("not asked for")

    monkeypatch.setattr("checks.dropouts.DropoutsPass.feed", never)
    soundfile.write(tmp_path / "a.wav", np.zeros((44_100, 2)), 44_100, subtype="PCM_24")
    assert main(["lineup", str(tmp_path / "a.wav")]) is Exit.CLEAR
    assert "no line-up tones found" in capsys.readouterr().out


def test_the_command_heeds_the_width(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    signal = line_up(44_100, [Part(hz=1000, dbfs=-18, seconds=2.5)], tracks=4,
                     gains_db=[0, 0, -0.5, 0])  # fmt: skip
    soundfile.write(tmp_path / "tones.wav", signal.samples.T, 44_100, subtype="PCM_24")
    assert main(["lineup", str(tmp_path / "tones.wav")]) is Exit.LISTEN
    shown = capsys.readouterr().out.splitlines()
    assert 40 < max(map(len, shown)) <= 60


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    signal = line_up(
        44_100, [Part(hz=1000, dbfs=-18, seconds=2.5), Part(hz=10_000, dbfs=-18, seconds=2.5)],
        tracks=4, gains_db=[0, 0, -0.5, 0],
    )  # fmt: skip
    path = tmp_path / "tones.wav"
    soundfile.write(path, signal.samples.T, 44_100, subtype="PCM_24")
    (tmp_path / "transfer.yaml").write_text("reel: {kind: lineup}\ntracks: [a, b, low one, d]\n")
    assert main(["lineup", str(path)]) is Exit.LISTEN
    shown = capsys.readouterr().out
    assert re.search(r"listen: 00:00:00\.50\d  low one: The 1 kHz tone is 0\.50 dB below", shown)
    assert list(tmp_path.glob("*.json")) == []  # nothing is written
    (sidecar_path(path, None, None)).write_text("no report")  # nor is an earlier report asked
    assert main(["lineup", "--json", str(path)]) is Exit.LISTEN
    (line,) = capsys.readouterr().out.splitlines()
    told = json.loads(line)
    assert (told["version"], told["capture"], told["verdict"]) == (1, "tones.wav", "listen")
    assert [t["nominal_hz"] for t in told["lineup"]["tones"]] == [1000, 10_000]
    assert {f["check"] for f in told["findings"]} == {"lineup"}
    sidecar_path(path, None, None).unlink()
    silent = tmp_path / "take.wav"
    soundfile.write(silent, np.zeros((44_100, 2)), 44_100, subtype="PCM_24")
    (tmp_path / "transfer.yaml").unlink()
    assert main(["lineup", str(silent)]) is Exit.CLEAR
    assert "no line-up tones found" in capsys.readouterr().out
    assert main(["lineup", str(tmp_path / "gone.wav")]) is Exit.USAGE


def test_what_cannot_be_read_has_no_lack_of_tones(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"no audio at all")
    capsys.readouterr()
    assert main(["lineup", str(path)]) is Exit.UNREAD
    out = capsys.readouterr().out
    assert "could not be read" in out
    assert "no line-up tones found" not in out


@pytest.mark.parametrize(("tracks", "told"), [(2, True), (3, True), (4, False)])
def test_of_few_tracks_a_tilt_may_be_a_late_track(tracks: int, told: bool) -> None:
    lines = lineup_lines(report(measured(tracks, head_tilt_arcmin=1.25), tracks))
    (tilt,) = [line for line in lines if "tilt of the head" in line]
    assert ("late of its own" in tilt) is told
    assert "+1.25 minutes of arc" in tilt
