"""What earlier reports of a capture mean for the next one.

A change is never laundered by checking again: the oldest content that no person has superseded
by a sign-off is the one that counts, and it stays so until somebody signs.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from checks.checksum import Record
from checks.measures import ContainerFileLine
from checks.model import Verdict
from watcher.report import Earlier, FileLine, FindingLine, Report, Signoff

_UNFINALISED: Final = "unfinalised"
_NOT_WHOLE: Final = frozenset({"truncated", _UNFINALISED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What a file holds; ``frames``: None where nobody could count them.

    ``whole``: not cut short, and its header complete.
    """

    frames: int | None
    audio_sha256: str | None
    crc32_mib: str = ""
    whole: bool = True


def _states(report: Report) -> list[Earlier]:
    """Every recorded state of the files, oldest first, the report's own last."""
    own = [
        Earlier(
            at=report.made.at,
            sha256=line.sha256,
            audio_sha256=line.audio_sha256,
            verdict=report.verdict,
            crc32_mib=line.crc32_mib,
            file=line.name,
            signoff=report.signoff,
            unfinished=(cut := _not_whole(report, number)) is not None,
            unfinalised=cut == _UNFINALISED,
            frames=_frames(report, number),
        )
        for number, line in enumerate(report.capture.files)
        if line.sha256 is not None
    ]
    return [*report.earlier, *own]


def _not_whole(report: Report, number: int) -> str | None:
    """In which way one of the files was not whole: cut short, or its header never completed."""
    kinds = {f.kind for f in report.findings if f.check == "container"} & _NOT_WHOLE
    if not kinds:
        return None
    if len(report.capture.files) == 1:
        return "truncated" if "truncated" in kinds else _UNFINALISED
    line = _container(report, number)
    if line is None or line.header_frames == line.found_frames:
        return None
    cut = (line.header_frames or 0) > (line.found_frames or 0)
    return "truncated" if cut else _UNFINALISED


def _container(report: Report, number: int) -> ContainerFileLine | None:
    lines = report.measures.container.files if report.measures.container is not None else ()
    return lines[number] if len(lines) == len(report.capture.files) else None


def _frames(report: Report, number: int) -> int:
    """How many frames one of the files held."""
    line = _container(report, number)
    found = line.found_frames if line is not None else None
    return found if found is not None else report.capture.frames or 0


def _of(report: Report, file: str) -> list[Earlier]:
    return [s for s in _states(report) if s.sha256 is not None and s.file in (None, file)]


def _counts_from(states: Sequence[Earlier], held: Held | None) -> int:
    """Number of the state that counts: those before it speak against nothing any more.

    A person's sign-off makes its own state the one that counts; where the person wants the capture
    done again, the next. And a file that was cut short speaks against no whole one that comes in
    its place and holds at least as much: to fetch it again is what was asked for. Nor does one
    that was still being recorded speak against what it became.
    """
    first = 0
    for number, state in enumerate(states):
        if state.signoff is not None:
            first = number + int(state.signoff.verdict is Verdict.REDO)
    if first == len(states) or not states[first].unfinished or states[first].signoff is not None:
        return first
    former: list[Earlier] = []
    for number, state in enumerate(states[first:], first):
        if former and _completes(_held(state), former):
            first = number
            if not state.unfinished:
                return number
        if state.unfinished:
            former.append(state)
    if held is None or (not held.whole and held.frames == states[first].frames):
        return first
    return len(states) if _completes(held, former) else first


def _held(state: Earlier) -> Held:
    return Held(
        frames=state.frames,
        audio_sha256=state.audio_sha256,
        crc32_mib=state.crc32_mib or "",
        whole=not state.unfinished,
    )


def _completes(held: Held, former: Sequence[Earlier]) -> bool:
    """Whether a file may stand in the place of unfinished ones."""
    return all(_stands_for(held, one) for one in former)


def _stands_for(held: Held, former: Earlier) -> bool:
    """Whether a file may stand in the place of an unfinished one.

    The audio of a file that was cut short has to be there at least as long, in a whole file. That
    of one whose header alone was not complete was all there: it has to be the same, or, where a
    recorder went on after a pause, its beginning.
    """
    if former.frames is None or held.frames is None or held.frames < former.frames:
        return False
    if not former.unfinalised:
        return held.whole
    if held.frames > former.frames:
        return _goes_on(held.crc32_mib, former.crc32_mib or "")
    return former.audio_sha256 is not None and held.audio_sha256 == former.audio_sha256


def _goes_on(longer: str, former: str) -> bool:
    """Whether the mebibytes of a file begin with those of a former one, but for its header.

    The first holds the header, the last is not full: of less than three nothing can be said.
    """
    digits = 8
    begun = former[digits:-digits]
    return bool(begun) and longer[digits:].startswith(begun)


def baseline(earlier: Report | None, file: str, *, held: Held | None = None) -> Record | None:
    """The recorded state of a file that the next reading is held against.

    Args:
        held: what the file holds as it is read now, where its container tells.
    """
    if earlier is None:
        return None
    states = _of(earlier, file)
    counts = states[_counts_from(states, held) :]
    if not counts:
        return None
    return _record(counts[0])


def _record(state: Earlier) -> Record:
    assert state.sha256 is not None
    return Record(
        at=state.at,
        sha256=state.sha256,
        audio_sha256=state.audio_sha256,
        crc32_mib=state.crc32_mib or "",
    )


def set_aside(report: Report, file: str) -> tuple[Record, Signoff] | None:
    """The content of a file that a person wants done again, while no other has come in its place.

    It is no baseline, for what is played next under its name changes nothing stored. But until
    then it is stored, and perhaps the only take there is.
    """
    states = _of(report, file)
    signoff = states[-1].signoff if states else None
    if signoff is None or signoff.verdict is not Verdict.REDO:
        return None
    return _record(states[-1]), signoff


def done_again(report: Report, file: str) -> set[str]:
    """Digests, in hex, of the contents of a file that a person wanted done again.

    SHA-256, and what sum files listed of them by whatever algorithm: that is known from the report
    that was signed, and handed on from one report to the next.
    """
    states = _of(report, file)
    found = {s.sha256 for s in states if s.signoff and s.signoff.verdict is Verdict.REDO}
    if report.signoff is not None and report.signoff.verdict is Verdict.REDO:
        stored = report.measures.checksum.stored if report.measures.checksum is not None else ()
        found |= {line.expected for line in stored if line.agrees}
    told = [f for f in report.findings if f.kind == "stored-digest"]
    found |= {f.values.get("expected") for f in told if f.verdict is Verdict.CLEAR}
    if report.signoff is None:  # what was held against this content stands until a person decides
        found -= {f.values.get("expected") for f in told if f.verdict is not Verdict.CLEAR}
    return {digest for digest in found if isinstance(digest, str)}


def of_other_takes(earlier: Report | None, now: FileLine) -> set[str]:
    """The same, of a file that is read anew; empty where it is still the take set aside.

    A tape that was played again gives a file of another size or date. Where both are as recorded
    nobody did, and what differs changed by itself.
    """
    if earlier is None:
        return set()
    then = next((line for line in earlier.capture.files if line.name == now.name), None)
    untouched = then is not None and (then.bytes, then.modified) == (now.bytes, now.modified)
    if untouched and set_aside(earlier, now.name) is not None:
        return set()
    return done_again(earlier, now.name)


def superseded(report: Report, file: str) -> set[str]:
    """SHA-256 of the states of a file that are out of account."""
    states = _of(report, file)
    first = min(_counts_from(states, None), len(states) - 1)
    counts = states[first].sha256 if states else None
    return {s.sha256 for s in states[: max(first, 0)] if s.sha256 and s.sha256 != counts}


def accepted(report: Report, file: str, sha256: str) -> Signoff | None:
    """The sign-off by which a content counts: its own, or that of one that was to be done again."""
    if report.signoff is not None:
        return report.signoff
    signed = [s.signoff for s in report.earlier if s.signoff and s.file in (None, file)]
    if not signed or signed[-1].verdict is not Verdict.REDO:
        return None
    counts = baseline(report, file)
    return signed[-1] if counts is not None and counts.sha256 == sha256 else None


def history(
    earlier: Report | None, files: Sequence[FileLine], carried: Signoff | None
) -> tuple[Earlier, ...]:
    """The earlier states that a new report keeps: all but the one it holds itself.

    A signed state that the new report does not carry on stays, for it is what counts.
    """
    if earlier is None:
        return ()
    now = {line.name: line.sha256 for line in files}
    kept = list(earlier.earlier)
    for state in _states(earlier)[len(earlier.earlier) :]:
        still_there = now.get(state.file or "") == state.sha256
        if still_there and (state.signoff is None or carried is not None):
            continue
        if state not in kept:
            kept.append(state)
    return tuple(kept)


def carried_signoff(
    earlier: Report | None, files: Sequence[FileLine], findings: Sequence[FindingLine]
) -> Signoff | None:
    """A person's decision stands as long as neither content nor findings changed."""
    if earlier is None or earlier.signoff is None:
        return None
    now = [(line.name, line.sha256) for line in files]
    then = [(line.name, line.sha256) for line in earlier.capture.files]
    if now != then or any(digest is None for _, digest in now):
        return None
    before = asks(earlier.findings)
    for what, verdict in asks(findings).items():
        if what not in before or before[what] is not Verdict.worst((before[what], verdict)):
            return None
    return earlier.signoff


_Asked = tuple[str, str, tuple[int, ...], int | None, tuple[str, ...]]
_LINE: Final = re.compile(r":\d+$")  # of a sum file: others may have come before it


def asks(findings: Sequence[FindingLine]) -> dict[_Asked, Verdict]:
    """What findings ask of a person, and how urgently, for comparing two reports."""
    asked: dict[_Asked, Verdict] = {}
    for f in findings:
        if f.verdict is not Verdict.CLEAR:
            what = (f.check, f.kind, f.tracks, f.start_frame, _claim(f))
            asked[what] = Verdict.worst((asked.get(what, f.verdict), f.verdict))
    return asked


def _claim(f: FindingLine) -> tuple[str, ...]:
    """Which file disagrees with which digest: another file or list is another question."""
    if f.check != "checksum":
        return ()
    digest = _LINE.sub("", str(f.values.get("digest")))
    return (str(f.values.get("file")), digest, str(f.values.get("expected")))


def signed_still(report: Report, earlier: Report | None) -> Report:
    """A report with the sign-off that holds for it, once all its findings are there.

    Args:
        earlier: the former report as it is now: a person may have signed it since the check began,
            and findings may have been added that ask for more than was signed.
    """
    if earlier is None:
        return report
    files = report.capture.files
    signoff = carried_signoff(earlier, files, report.findings)
    return dataclasses.replace(report, signoff=signoff, earlier=history(earlier, files, signoff))
