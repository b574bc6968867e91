"""A page as a browser would take it: its tags, its words, its pictures, what it asks for."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

_VOID = {"meta"}  # of the elements of HTML that have no end tag, those in use here
_FETCH = {"script", "link", "img", "iframe", "object", "embed", "base", "audio", "video", "form"}
_NAMES_A_PLACE = {"href", "src", "srcset", "data", "poster", "action", "xlink:href"}


class Page(HTMLParser):
    """Reads a page; fails where a tag is not closed where it should be.

    Attributes:
        words: all text outside ``style``, runs of blanks as one.
        links: what ``href`` and its like name.
        ids: of all elements.
    """

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.links: list[str] = []
        self.ids: list[str] = []
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self._open: list[str] = []
        self._parts: list[str] = []
        self.style = ""
        self.feed(text)
        self.close()
        assert not self._open, f"never closed: {self._open}"
        # a tag parts words, but no word from the point behind it
        self.words = re.sub(r" (?=[.,:;])", "", " ".join(" ".join(self._parts).split()))
        self.pictures = [
            ElementTree.fromstring(svg) for svg in re.findall(r"<svg.*?</svg>", text, re.DOTALL)
        ]

    @classmethod
    def at(cls, path: Path) -> Page:
        return cls(path.read_text("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._note(tag, attrs)
        if tag not in _VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._note(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self._open[-1:] == ["style"]:
            self.style += data
        else:
            self._parts.append(data)

    def _note(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            self.attributes.add(name)
            if name == "id":
                self.ids.append(value or "")
            if name in _NAMES_A_PLACE:
                self.links.append(value or "")

    def asks_for_nothing(self) -> None:
        """No script, no style, font, picture or frame from elsewhere, nothing that runs."""
        assert not self.tags & _FETCH
        assert not {name for name in self.attributes if name.startswith("on")}
        assert not re.search(r"url\(|@import|@font-face", self.style)
        assert not [link for link in self.links if re.match(r"[a-z+.-]+:|//", link, re.I)]

    def leads_where_something_is(self) -> None:
        """Every link within the page has its target, and no two elements share a name."""
        assert len(self.ids) == len(set(self.ids))
        within = {link[1:] for link in self.links if link.startswith("#")}
        assert within <= set(self.ids)
