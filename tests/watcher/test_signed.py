"""A decision that stands: count, heading and exit status follow it; its note is told."""

from __future__ import annotations

from pathlib import Path

import pytest
from verifying import capture

from watcher.cli import main
from watcher.exits import Exit


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[Exit, str]:
    capsys.readouterr()
    status = main([*arguments])
    return status, " ".join(capsys.readouterr().out.split())


def test_a_clear_capture_that_is_to_be_done_again_counts_as_such(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(capture(tmp_path / "a.wav", frames=40_000))
    status, text = said(capsys, "check", path)
    assert (status, "checked: 1 clear" in text) == (Exit.CLEAR, True)
    main(["signoff", path, "--by", "AB", "--verdict", "redo", "--note", "wrong tape"])
    status, text = said(capsys, "check", path)
    assert status is Exit.REDO
    assert "1 capture checked: 1 redo" in text
    again = text.partition("Play these tapes again (1)")[2]
    assert "signed AB, " in again
    assert ": wrong tape" in again


def test_a_finding_that_a_person_signed_clear_is_clear_and_still_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = capture(tmp_path / "a.wav", frames=40_000)
    path.write_bytes(path.read_bytes()[:-6000])
    status, text = said(capsys, "check", str(path))
    assert status is Exit.REDO
    main(["signoff", str(path), "--by", "AB", "--note", "the end is not wanted"])
    status, text = said(capsys, "check", str(path))
    assert status is Exit.CLEAR
    assert "1 capture checked: 1 clear" in text
    clear = text.partition("Clear (1)")[2]
    assert "signed AB, " in clear
    assert ": the end is not wanted" in clear
    assert "[truncated]" in clear


def test_a_folder_of_several_is_no_decision_on_any(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a.wav", "b.wav"):
        capture(tmp_path / name)
    main(["check", "--json", str(tmp_path)])
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    assert main(["signoff", str(tmp_path), "--by", "AB"]) is Exit.USAGE
    assert "name each one" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before
    (tmp_path / "b.wav").unlink()
    for nobody in (" ", "...", "- -", "x" * 41):
        assert main(["signoff", str(tmp_path), "--by", nobody]) is Exit.USAGE
    assert main(["signoff", str(tmp_path), "--by", "AB"]) is Exit.CLEAR


def test_what_nobody_could_look_at_is_signed_clear_only_with_a_note(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"no audio at all")
    main(["check", str(path)])
    sign = ["signoff", str(path), "--by", "AB"]
    assert main(sign) is Exit.USAGE
    assert main([*sign, "--note", " "]) is Exit.USAGE
    assert "--note" in capsys.readouterr().err
    assert main([*sign, "--note", "a text file by that name"]) is Exit.CLEAR
    assert main([*sign, "--verdict", "redo"]) is Exit.CLEAR


def test_a_decision_that_takes_the_place_of_another_tells_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(capture(tmp_path / "a.wav"))
    main(["check", path])
    _, text = said(capsys, "signoff", path, "--by", "XY", "--verdict", "redo", "--note", "too dull")
    assert "was" not in text
    _, text = said(capsys, "signoff", path, "--by", "AB")
    assert text.startswith("a.wav: clear, signed off by AB (was redo by XY, 20")
    assert text.endswith(": too dull)")


def test_a_set_that_lost_a_file_since_is_not_signed_and_is_told_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in (1, 2, 3):
        capture(tmp_path / f"take_tr0{number}.wav")
    main(["check", "--json", str(tmp_path)])
    (tmp_path / "take_tr03.wav").unlink()
    capsys.readouterr()
    assert main(["signoff", str(tmp_path / "take_tr01.wav"), "--by", "AB"]) is Exit.USAGE
    assert "a file of it is gone" in capsys.readouterr().err


def test_reports_elsewhere_mirror_the_root_whatever_was_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Captures of one name in two folders have a report each, and the decision finds its own."""
    config = tmp_path / "reelvigil.yaml"
    config.write_text("roots: [captures]\nreports: reports\nledger: ledger.sqlite\n")
    given = ("--config", str(config))
    (tmp_path / "reports").mkdir()
    for seed, reel in enumerate(("one", "two")):
        (tmp_path / "captures" / reel).mkdir(parents=True)
        path = capture(tmp_path / "captures" / reel / "take.wav", seed=seed)
        assert said(capsys, "check", str(path), *given)[0] is Exit.CLEAR
        assert (tmp_path / "reports" / reel / "take.wav.vigil.json").exists()
        assert main(["signoff", str(path), "--by", "AB", *given]) is Exit.CLEAR
    assert len(list((tmp_path / "reports").rglob("*.json"))) == 2


@pytest.mark.parametrize("roots", ["", "roots: [one, two]\n"])
def test_reports_elsewhere_keep_captures_of_one_name_apart_in_several_places(
    roots: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No false change of the audio, and no report in the place of another's."""
    config = tmp_path / "reelvigil.yaml"
    config.write_text(f"{roots}reports: reports\nledger: ledger.sqlite\n")
    given = ("--config", str(config))
    for seed, reel in enumerate(("one", "two")):
        (tmp_path / reel).mkdir()
        path = capture(tmp_path / reel / "take.wav", seed=seed)
        assert said(capsys, "check", str(path), *given)[0] is Exit.CLEAR
        assert main(["signoff", str(path), "--by", "AB", *given]) is Exit.CLEAR
        assert said(capsys, "check", str(path.parent), *given)[0] is Exit.CLEAR
    found = {path.parent.name for path in (tmp_path / "reports").rglob("*.json")}
    assert found == ({"reports", "two"} if roots else {"one", "two"})
