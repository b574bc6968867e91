"""``reelvigil sums``: a sum file for general tools, from recorded digests or from the bytes."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from watcher import aside, readings
from watcher.errors import UsageError
from watcher.files import shown, write_whole
from watcher.reverify import State
from watcher.sumfiles import written
from watcher.truths import kind_of, spoken
from watcher.verify import Run

NAME = b"SHA256SUMS"


@dataclass(slots=True)
class Written:
    """What came of it: lines written, files left out and why, bytes that no record has."""

    target: Path
    lines: int
    left_out: list[str] = field(default_factory=list)
    differing: list[str] = field(default_factory=list)


def write_sums(run: Run, *, from_bytes: bool, replace: bool) -> Written:
    """Write the sum file into the folder of a run that was prepared.

    Args:
        from_bytes: read the files; one whose bytes are not the recorded ones is told, for the
            list would give a change the look of a record.

    Raises:
        UsageError: a differing one stands there already and nobody said to replace it, or it
            cannot be written.
    """
    target = os.path.join(run.folder, NAME)
    made = Written(Path(os.fsdecode(target)), 0)
    lines: list[tuple[bytes, bytes]] = []
    paths = list(run.plan.targets)
    for settled in run.plan.settled:
        if from_bytes and settled.state is State.UNRECORDED:
            paths.append(settled.path)
        else:
            made.left_out.append(f"{shown(settled.path)}: {settled.state.value}")
    troubles = run.records.troubles
    made.left_out += [f"{shown(at)}: {text}" for at, _, text in troubles if at != target]
    for path in sorted(paths):
        there = run.records.renamed.get(path, path)
        digest = (
            _from_bytes(run, path, there, made) if from_bytes else _recorded(run, path, there, made)
        )
        if digest is not None:
            lines.append((digest, os.path.relpath(there, run.folder)))
    made.lines = len(lines)
    if not lines:
        raise UsageError(
            f"{shown(run.folder)}: no digest to write, for nothing here is recorded; check the "
            "captures first, or read the files with --from-bytes"
        )
    data = written(lines)
    if _other(target, data) and not replace:
        raise UsageError(f"{shown(target)}: another one stands there; --replace writes over it")
    try:
        write_whole(made.target, data)
    except OSError as error:
        raise UsageError(f"{shown(target)}: cannot be written: {error.strerror}") from error
    return made


def _other(target: bytes, data: bytes) -> bool:
    """Whether something else stands there; a link is something else, whatever it leads to."""
    if not os.path.lexists(target):
        return False
    if os.path.islink(target) or not os.path.isfile(target):
        return True
    with open(target, "rb") as stream:
        return stream.read(len(data) + 1) != data


def _recorded(run: Run, path: bytes, there: bytes, made: Written) -> bytes | None:
    truths = run.records.truths[path]
    if aside.looks_like_another_take(run.records, path, there, truths):
        made.left_out.append(f"{shown(path)}: {aside.another_take(run.records, path)}")
        return None
    # a list that is made anew because a change was meant must not stand in its own way
    others = [truth for truth in truths if kind_of(truth) != os.fsdecode(NAME)] or truths
    digests = {truth.digest for truth in others if truth.algorithm == "sha256"}
    if len(digests) == 1:
        return digests.pop()
    why = "its records disagree" if digests else "no SHA-256 of it is recorded"
    made.left_out.append(f"{shown(path)}: {why}; --from-bytes reads it")
    return None


def _from_bytes(run: Run, path: bytes, there: bytes, made: Written) -> bytes | None:
    truths = run.records.truths.get(path, [])
    try:
        digests = readings.read(there, {"sha256", *(t.algorithm for t in truths)}).digests
    except OSError as error:
        made.left_out.append(f"{shown(there)}: cannot be read: {error.strerror or error}")
        return None
    wrong = [t for t in truths if digests[t.algorithm] != t.digest]
    if wrong and not aside.is_another_take(run.records, path, there, wrong):
        by = ", ".join(dict.fromkeys(spoken(t, truths) for t in wrong))
        made.differing.append(f"{shown(there)}: its bytes are not as recorded by {shown(by)}")
    return digests["sha256"]
