"""What files and their reading account for, so that no check asks for the tape on top of it.

A set of which a file is missing or could not be read has too few tracks, and a capture whose end is
missing or could not be decoded ends in full programme: the files are to be fetched again, and then
the check says anew what is to be said of the tape.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Final

from checks.model import Finding, Outcome, Verdict

_AT_END_S: Final = 1.0  # own choice: what begins later than this before the end is the end itself
_ENDS: Final = ("cut-end", "signal-lost")


def accounted(
    outcomes: Mapping[str, Outcome], *, rate_hz: int, frames: int | None, grows: bool = False
) -> dict[str, Outcome]:
    """The outcomes without what the container's findings, and those about the set, account for.

    Args:
        frames: as many as were looked at.
        grows: a file grew meanwhile, and has not come to its end.
    """
    files = outcomes["container"].findings
    # a place in time of what is unread: from there on nothing was looked at
    short = grows or any(
        f.kind == "truncated" or (f.verdict is Verdict.UNREAD and f.start_frame is not None)
        for f in files
    )
    # a file that was not looked at from its beginning is no track of what was
    lacks = any(
        f.kind == "set-missing" or (f.verdict is Verdict.UNREAD and f.start_frame is None)
        for f in files
    )
    end = None if frames is None or not short else frames - _AT_END_S * rate_hz

    def stays(finding: Finding) -> bool:
        if finding.check == "format" and finding.kind == "channels" and lacks:
            found, asked = finding.values.get("channels"), finding.values.get("expected")
            return not (isinstance(found, int) and isinstance(asked, int) and found < asked)
        if grows and finding.check == "format" and finding.kind == "duration":
            length, limit = finding.values.get("duration_s"), finding.values.get("limit_s")
            if not (isinstance(length, int | float) and isinstance(limit, int | float)):
                return False
            return length > limit  # too short it may be only as yet
        if finding.check == "dropouts" and finding.kind in _ENDS and end is not None:
            return finding.start_frame is None or finding.start_frame < end
        return True

    return {
        name: dataclasses.replace(outcome, findings=tuple(filter(stays, outcome.findings)))
        for name, outcome in outcomes.items()
    }
