"""The limits' section of default.yaml, written from annotations and comments."""

import sys
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated

import pytest
from annotated_types import Ge, Gt, Le

from config.bind import bind
from config.stanza import main, stanza
from config.text import parse


class Mode(StrEnum):
    SOFT = "soft"
    HARD = "hard"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickLimits:
    """Invented."""

    # ---- a heading, which belongs to no key ----

    # Consecutive samples that count. 1 to 4,096 samples.
    # Source: invented.
    min_run_samples: Annotated[int, Ge(1), Le(4096)] = 3
    # How far below full scale. Source: invented.
    below_db: Annotated[float, Gt(0)] = 1e-7
    mode: Mode = Mode.SOFT  # how


@dataclass(frozen=True, slots=True, kw_only=True)
class Nothing:
    """No limits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AllLimits:
    click: ClickLimits = field(default_factory=ClickLimits)
    nothing: Nothing = field(default_factory=Nothing)


EXPECTED = """\
  click:
    # Consecutive samples that count. 1 to 4,096 samples.
    # Source: invented.
    min_run_samples: 3
    # How far below full scale. Source: invented.
    # Allowed: a number, more than 0 dB.
    below_db: 1e-07
    # how
    # Allowed: one of soft, hard.
    mode: "soft"
  nothing: {}
"""


def test_comments_bounds_and_defaults_are_written():
    assert "\n".join(stanza(AllLimits, 2)) + "\n" == EXPECTED


def test_what_is_written_reads_as_the_defaults():
    tree, mistakes = parse("\n".join(stanza(AllLimits)).encode(), "f.yaml")
    assert tree is not None
    assert bind(AllLimits, tree) == (AllLimits(), [])
    assert mistakes == []


def test_a_section_takes_the_place_of_the_last(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "invented", sys.modules[__name__])
    path = tmp_path / "default.yaml"
    path.write_text("a: 1\n# limits: of all\n\nlimits:\n  old: 1\n")
    main(["invented", "AllLimits", "--into", str(path)])
    assert path.read_text() == "a: 1\n# limits: of all\n\nlimits:\n" + EXPECTED
    main(["invented", "AllLimits"])
    assert capsys.readouterr().out == EXPECTED
    path.write_text("a: 1\n")
    with pytest.raises(SystemExit, match="no section 'limits:'"):
        main(["invented", "AllLimits", "--into", str(path)])
