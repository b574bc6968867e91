"""Line-ups found by the reports on disk, by ``check`` and by ``signoff``."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from bench_lineup.signals import Part, line_up
from lineup_reports import kept, lineup, report, signed
from synth import as_float, programme

from watcher import sidecar
from watcher.cli import main
from watcher.exits import Exit
from watcher.ledger import Ledger, State
from watcher.report import Report, sidecar_path
from watcher.stands_on import on_disk, stand_again, with_stands_on


def saved(r: Report, *, reports: Path | None = None, top: Path | None = None) -> None:
    """Beside its capture, or in a mirror of reports."""
    path = Path(r.capture.folder) / r.capture.name
    sidecar.save(r, sidecar_path(path, reports, top))


def test_line_ups_in_reach_are_found_by_their_reports(tmp_path: Path) -> None:
    top, day = tmp_path, tmp_path / "monday"
    saved(lineup("above.wav", folder=str(top)))
    saved(lineup("here.wav", folder=str(day)))
    saved(lineup("inside.wav", folder=str(top / "lineup")))
    saved(lineup("elsewhere.wav", folder=str(top / "tuesday")))
    saved(report("take.wav", folder=str(day)))
    (day / "broken.wav.vigil.json").write_bytes(b'{"kind": "lineup"')
    found = sorted(entry.name for entry in on_disk(day, top=top))
    assert found == ["above.wav", "here.wav", "inside.wav"]
    inside = sorted(entry.name for entry in on_disk(top / "lineup", top=top))
    assert inside == ["above.wav", "inside.wav"]
    assert {entry.name for entry in on_disk(day, top=None)} == {"here.wav"}


def test_line_ups_are_found_in_a_mirror_of_reports(tmp_path: Path) -> None:
    top, mirror = tmp_path / "store", tmp_path / "reports"
    saved(lineup("above.wav", folder=str(top)), reports=mirror, top=top)
    found = {entry.name for entry in on_disk(top / "monday", top=top, at=mirror / "monday")}
    assert found == {"above.wav"}


def test_a_sign_off_on_disk_alone_stands_when_the_line_up_is_known(
    tmp_path: Path, ledger: Ledger
) -> None:
    top = tmp_path / "store"
    take = with_stands_on(report("take.wav", folder=str(top), hours=1), ())
    place = sidecar_path(top / "take.wav")
    kept(ledger, take)
    ledger.change("UPDATE captures SET delivered = 1, report_path = ?", (os.fsencode(place),))
    (row,) = ledger.in_state(State.DONE)
    known = ledger.report(row.id)
    assert known is not None
    sidecar.save(signed(known), place)
    kept(ledger, lineup(folder=str(top)))
    stand_again(ledger, lineup(folder=str(top)), top)
    assert ledger.report(row.id) == signed(known)
    assert row.id not in [other.id for other in ledger.undelivered()]


@pytest.mark.parametrize("how", [[], ["--no-sidecar"], ["--jobs", "2"], ["--json"]])
def test_a_line_up_that_is_read_last(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], how: list[str]
) -> None:
    # no sheet calls it a line-up, and its name comes last
    tones = line_up(44_100, [Part(hz=1000, dbfs=-18, seconds=3)], hiss_dbfs=-62)
    music = programme("plucks", rate_hz=44_100, tracks=2, seconds=4, seed=1)
    for name, x, at in (("take", as_float(music), 7200), ("tones", tones.samples, 0)):
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, np.asarray(x).T, 44_100, subtype="PCM_24")
        os.utime(path, (1_700_000_000 + at, 1_700_000_000 + at))
    assert main(["check", *how, str(tmp_path)]) is Exit.CLEAR
    as_json = how == ["--json"]
    assert as_json or "tones.wav: 1 capture stands on it, all clear" in capsys.readouterr().out
    if not how or as_json:
        told = sidecar.load(sidecar_path(tmp_path / "take.wav", None, None))
        assert told is not None
        assert told.measures.lineup is not None
        assert told.measures.lineup.stands_on is not None


def test_a_sign_off_is_told_to_the_reports_of_what_stands_on_the_line_up(tmp_path: Path) -> None:
    tones = line_up(44_100, [Part(hz=1000, dbfs=-18, seconds=3)], hiss_dbfs=-62, gains_db=[0, -3])
    music = as_float(programme("plucks", rate_hz=44_100, tracks=2, seconds=4, seed=1))
    (tmp_path / "lineup").mkdir()
    places = {"take": tmp_path / "take.wav", "tones": tmp_path / "lineup" / "tones.wav"}
    for path, x, at in zip(places.values(), (music, tones.samples), (7200, 0), strict=True):
        soundfile.write(path, np.asarray(x).T, 44_100, subtype="PCM_24")
        os.utime(path, (1_700_000_000 + at, 1_700_000_000 + at))
    (tmp_path / "lineup" / "transfer.yaml").write_text("reel: {kind: lineup}\n")
    (tmp_path / "transfer.yaml").write_text("lineup: {required: true}\n")
    assert main(["check", str(tmp_path)]) is Exit.REDO

    def told() -> str:
        found = sidecar.load(sidecar_path(places["take"], None, None))
        assert found is not None
        return found.verdict.value

    assert told() == "listen"
    assert main(["signoff", "--by", "AB", str(places["tones"])]) is Exit.CLEAR
    assert told() == "clear"
    assert main(["signoff", "--by", "AB", "--verdict", "redo", str(places["tones"])]) is Exit.CLEAR
    assert told() == "listen"
