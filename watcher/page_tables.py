"""Tables of a page: what stands in a cell, and how numbers are written there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from watcher import lineup_view

NONE: Final = "\N{EN DASH}"  # not measured, or nothing there to measure
FLOOR_DBFS: Final = -100.0  # where bars of levels begin; all of them end at full scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What stands in one cell.

    Attributes:
        more: below it, in small letters.
        bar: a level as a share of the whole bar, from 0 to 1; None without a bar.
        exact: digits and letters to be compared one by one.
    """

    text: str
    more: str = ""
    bar: float | None = None
    exact: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """The first cell of a row names it. ``folded``: shown where somebody opens it."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    folded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the page: a title, sentences, tables."""

    title: str
    sentences: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()

    @property
    def anchor(self) -> str:
        return "".join(ch if ch.isalnum() else "-" for ch in self.title.lower())


def cells(*texts: object) -> tuple[Cell, ...]:
    """Plain cells; None is a dash."""
    return tuple(Cell(text=NONE if text is None else str(text)) for text in texts)


def level(value: float | None, more: str = "") -> Cell:
    """A level in dBFS with its bar."""
    if value is None:
        return Cell(text=NONE, more=more)
    share = min(max((value - FLOOR_DBFS) / -FLOOR_DBFS, 0.0), 1.0)
    return Cell(text=number(value, ".1f"), more=more, bar=round(share, 3))


def number(value: float | None, form: str) -> str:
    """A number in a form such as ``+.2f``."""
    return NONE if value is None else lineup_view.number(value, form)


def count(value: int | None) -> str:
    """A count, its thousands apart."""
    return NONE if value is None else f"{value:,}"
