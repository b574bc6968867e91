"""What earlier reports of a capture mean for the next one.

A change is never laundered by checking again: the oldest content that no person has superseded
by a sign-off is the one that counts, and it stays so until somebody signs.
"""

from __future__ import annotations

from collections.abc import Sequence

from checks.checksum import Record
from watcher.report import Earlier, FileLine, FindingLine, Report, Signoff


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
        )
        for line in report.capture.files
        if line.sha256 is not None
    ]
    return [*report.earlier, *own]


def baseline(earlier: Report | None, file: str) -> Record | None:
    """The recorded state of a file that the next reading is held against."""
    if earlier is None:
        return None
    states = [s for s in _states(earlier) if s.sha256 is not None and s.file in (None, file)]
    signed = [i for i, state in enumerate(states) if state.signoff is not None]
    counts = states[signed[-1] :] if signed else states
    if not counts:
        return None
    state = counts[0]
    assert state.sha256 is not None
    return Record(
        at=state.at,
        sha256=state.sha256,
        audio_sha256=state.audio_sha256,
        crc32_mib=state.crc32_mib or "",
    )


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
    return earlier.signoff if asks(findings) <= asks(earlier.findings) else None


def asks(findings: Sequence[FindingLine]) -> set[tuple[str, str, tuple[int, ...], int | None]]:
    """What findings ask of a person, for comparing two reports."""
    return {
        (f.check, f.kind, f.tracks, f.start_frame) for f in findings if f.verdict.value != "clear"
    }
