"""Troubles of the daemon's own: told once when they begin, ended when they are over."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from watcher.ledger import Ledger, now
from watcher.logs import Log


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """A hindrance; ``text`` is safe to print, and may have lines below the first one."""

    key: str
    text: str
    began: str
    ended: str | None


class Troubles:
    """Kept in the ledger, so that the morning summary tells those of the night."""

    def __init__(self, ledger: Ledger, log: Log) -> None:
        self._ledger = ledger
        self._log = log
        self._open: dict[str, str] = {}
        self.read_again()

    def read_again(self) -> None:
        """Take what is open from the ledger."""
        self._open = {t.key: t.text for t in read(self._ledger, open_only=True)}

    def begin(self, key: str, text: str) -> None:
        """Note a trouble, unless it is noted already with the same words."""
        if self._open.get(key) == text:
            return
        if key in self._open:
            self.end(key)
        self._open[key] = text
        self._ledger.change(
            "INSERT INTO troubles (key, text, began) VALUES (?, ?, ?)", (key, text, now())
        )
        self._log.warning("trouble", what=on_one_line(text))

    def end(self, key: str) -> None:
        """Note that a trouble is over, if there was one."""
        text = self._open.pop(key, None)
        if text is None:
            return
        self._ledger.change(
            "UPDATE troubles SET ended = ? WHERE key = ? AND ended IS NULL", (now(), key)
        )
        self._log.info("trouble_over", what=in_short(text))

    def of_starting(self, cause: str | None) -> None:
        """A check that could not be started, or (None) that could: the captures are blameless."""
        if cause is None:
            self.end("start")
        else:
            self.begin(
                "start",
                f"Checks cannot be started: {cause}. Captures wait and each is tried again every "
                "minute; this account must be able to run the program's Python, and have processes "
                "and memory left.",
            )

    @property
    def open(self) -> dict[str, str]:
        return dict(self._open)


def lasting(seconds: float) -> str:
    """A time that somebody set, in the unit that suits it."""
    if seconds < 120:
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.3g} min" if seconds < 7200 else f"{seconds / 3600:.3g} h"


def on_one_line(text: str) -> str:
    """The text of a trouble where there is room for one line."""
    first, *more = text.split("\n")
    return " ".join([first, "; ".join(more)]) if more else first


def in_short(text: str) -> str:
    """What is left to say of a trouble that is over: its first line, for the rest is mended."""
    first, *more = text.split("\n")
    return first.removesuffix(":") + "." if more else first


def read(ledger: Ledger, *, open_only: bool = False, since: str = "") -> Iterator[Trouble]:
    """Troubles that are open, or that were at some moment since a time."""
    where = "ended IS NULL" if open_only else "ended IS NULL OR ended >= ?"
    values = () if open_only else (since,)
    rows = ledger.rows(
        f"SELECT key, text, began, ended FROM troubles WHERE {where} ORDER BY id", values
    )
    for key, text, began, ended in rows:
        yield Trouble(key=key, text=text, began=began, ended=ended)
