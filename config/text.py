"""YAML text -> the tree of what was written.

Only the plain part of YAML is read: mappings, lists, scalars. What could make a small file big
or one thing look like another (anchors and aliases, tags, repeated keys, several documents, deep
nesting) is a mistake. Scalars are not interpreted here: YAML 1.1 would read ``no`` as false,
``12:30`` as 750, ``0123`` as 83 and ``1e-3`` as text, whatever the key wants.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterator
from typing import Final

import yaml

from config.tree import Entry, Items, Map, Node, Refused, Scalar, key_of
from config.words import Mistake, Place, shortened

MAX_BYTES: Final = 1 << 20  # common practice: a hand-written file is a few kilobytes
MAX_DEPTH: Final = 20  # common practice: the deepest key of ours is four levels down
MAX_NODES: Final = 10_000  # measured: read in about half a second in plain Python


def parse(data: bytes, file: str) -> tuple[Map | None, list[Mistake]]:
    """Read one file's text.

    Args:
        data: the file's bytes: UTF-8 (a byte order mark is allowed), at most ``MAX_BYTES``.
        file: its name in messages and sources.

    Returns:
        The tree and the mistakes. The tree is None where reading had to stop; else it holds
        ``Refused`` where a mistake was found, so that the rest can still be judged.
    """
    if len(data) > MAX_BYTES:
        return None, [Mistake(Place(file), "", f"larger than {MAX_BYTES} bytes; not read")]
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        at = error.start + (3 if data.startswith(b"\xef\xbb\xbf") else 0)  # the codec cuts the mark
        line = data.count(b"\n", 0, at) + 1
        return None, [Mistake(Place(file, line), "", f"not UTF-8: byte 0x{data[at]:02x}")]
    return _Reading(text.replace("\r\n", "\n").replace("\r", "\n"), file).result()


class _StopError(Exception):
    """Reading cannot go on."""


class _Reading:
    """One file being read: events in, tree out. Recursion ends at ``MAX_DEPTH``."""

    def __init__(self, text: str, file: str) -> None:
        self._file = file
        self._breaks = [i for i, ch in enumerate(text) if ch == "\n"]
        self._text = text
        self._mistakes: list[Mistake] = []
        self._left = MAX_NODES

    def result(self) -> tuple[Map | None, list[Mistake]]:
        try:
            return self._document(), self._mistakes
        except _StopError:
            return None, self._mistakes
        except yaml.reader.ReaderError as error:
            text = f"the character U+{int(error.character):04X} is not allowed in YAML"
            self._tell(self._at(error.position), "", text)
        except yaml.MarkedYAMLError as error:
            self._tell(*self._syntax(error))
        return None, self._mistakes

    def _syntax(self, error: yaml.MarkedYAMLError) -> tuple[Place, str, str]:
        mark, begun = error.problem_mark or error.context_mark, error.context_mark
        at = min(mark.index if mark is not None else 0, len(self._text.rstrip()))
        place = self._at(at)
        if self._text[at : at + 1] == "\t":
            return place, "", "a tab where YAML allows only spaces"
        parts = (error.context, error.problem, error.note)
        words = "not readable as YAML: " + ", ".join(shortened(p, 200) for p in parts if p)
        if begun is not None and (first := self._at(begun.index)) != place:
            words += f" (begun on line {first.line})"
        return place, "", words

    def _document(self) -> Map:
        events = iter(yaml.parse(self._text, Loader=yaml.SafeLoader))
        next(events)  # the stream begins
        event = next(events)
        empty = Map(Place(self._file, 1))
        if isinstance(event, yaml.StreamEndEvent):
            return empty
        event = next(events)
        node = self._node(event, events, (), 1)
        next(events)  # the document ends
        event = next(events)
        if not isinstance(event, yaml.StreamEndEvent):
            self._fatal(event, "", "a second document begins; one file holds one")
        if isinstance(node, Map):
            return node
        if not (isinstance(node, Scalar) and node.null):
            self._tell(node.place, "", "must be keys with values ('key: value')")
        return empty

    def _node(
        self,
        event: yaml.Event,
        events: Iterator[yaml.Event],
        path: tuple[str | int, ...],
        depth: int,
    ) -> Node:
        place = self._start(event)
        key = key_of(path)
        self._left -= 1
        if self._left < 0:
            self._fatal(event, key, f"more than {MAX_NODES} values; not read")
        if depth > MAX_DEPTH:
            self._fatal(event, key, f"nested deeper than {MAX_DEPTH} levels; not read")
        if isinstance(event, yaml.AliasEvent):
            self._tell(
                place, key, f"an alias (*{shortened(str(event.anchor), 20)}); write the value out"
            )
            return Refused(place)
        if getattr(event, "anchor", None) is not None:
            self._tell(place, key, "an anchor (&); anchors and aliases are not read")
        if getattr(event, "tag", None) is not None:
            self._tell(place, key, "a tag (!); tags are not read, the key decides the type")
        if isinstance(event, yaml.ScalarEvent):
            return Scalar(place, event.value, event.style is None)
        if isinstance(event, yaml.SequenceStartEvent):
            nodes: list[Node] = []
            while not isinstance(event := next(events), yaml.SequenceEndEvent):
                nodes.append(self._node(event, events, (*path, len(nodes)), depth + 1))
            return Items(place, tuple(nodes))
        return self._map(place, events, path, depth)

    def _map(
        self, place: Place, events: Iterator[yaml.Event], path: tuple[str | int, ...], depth: int
    ) -> Map:
        entries: dict[str, Entry] = {}
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            name = self._node(event, events, path, depth + 1)
            step = name.text if isinstance(name, Scalar) else "?"
            node = self._node(next(events), events, (*path, step), depth + 1)
            if not isinstance(name, Scalar):
                if not isinstance(name, Refused):
                    self._tell(name.place, key_of(path), "a key must be one word, not a list")
            elif step in entries:
                line = entries[step].place.line
                text = f"repeated key, first given on line {line}; give it once"
                self._tell(name.place, key_of((*path, step)), text)
            else:
                entries[step] = Entry(name.place, node)
        return Map(place, entries)

    def _at(self, index: int) -> Place:
        return Place(self._file, bisect.bisect_left(self._breaks, index) + 1)

    def _start(self, event: yaml.Event) -> Place:
        return self._at(event.start_mark.index if event.start_mark is not None else 0)

    def _tell(self, place: Place, key: str, text: str) -> None:
        self._mistakes.append(Mistake(place, key, text))

    def _fatal(self, event: yaml.Event, key: str, text: str) -> None:
        self._tell(self._start(event), key, text)
        raise _StopError
