"""Findings of the tape half, put together in one way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._tape._bands import BODY, HISS
from checks.dropouts._tape._lasting import Fall
from checks.dropouts._tape._others import LEAVES
from checks.model import Finding, Remedy, Value, Verdict, rounded

DIRT_S: Final = 2.0
"""A head that clogs stays so for longer (common practice)."""

_AT_ONCE: Final = 2  # entries from the last hiss as before to all of the fall, both cut

_ENDS: Final = {
    "": "Look at the head, the card and the cable of this track and play it again.",
    "by hand": "The level goes down little by little, as where somebody turns it down: listen.",
    "alone": "With no other track to compare, it may be the end of the tape: listen.",
    "unsure": (
        "A decoded noise reduction can do that in a long rest: listen before playing again."
    ),
    "no tape": (
        "What went before was louder than any tape hisses, and no hiss of a tape is heard: it may "
        "have been played, and merely stop; listen."
    ),
}


def made(
    kind: str,
    verdict: Verdict,
    remedy: Remedy,
    tracks: tuple[int, ...],
    start: int,
    stop: int,
    text: str,
    values: dict[str, Value],
) -> Finding:
    """A finding of the tape half, from frame ``start`` to before ``stop``."""
    return Finding(
        check="dropouts",
        kind=kind,
        verdict=verdict,
        remedy=remedy,
        tracks=tracks,
        start_frame=start,
        frames=max(1, stop - start),
        text=text,
        values=values,
    )


def hf_loss(
    group: Sequence[Fall],
    frequencies_hz: NDArray[np.float64],
    start: int,
    stop: int,
    *,
    rate_hz: int,
    entry_s: float,
) -> Finding:
    """The finding of treble that falls on some tracks at one time.

    Args:
        frequencies_hz: middle of each band.
        start, stop: frames.
    """
    worst = max(group, key=lambda f: f.mean_db)
    covered = max(0, min(f.first for f in group) - max(f.since for f in group))
    covered_s = round(covered * entry_s, 2)
    took = covered + worst.full - worst.first
    slow = True if worst.slides else None if took > _AT_ONCE else False
    how = "at once" if slow is False else f"within {took * entry_s:.1f} s"
    # The hiss shows neither the first few dB nor what goes on beneath the electronics' noise.
    how = f"slowly, over {took * entry_s:.1f} s or more" if slow else how
    long_s = (worst.last - worst.first) * entry_s
    heard_khz = frequencies_hz[HISS:][np.isfinite(worst.fall_db[HISS:])] / 1000.0
    until = "and is not heard to come back"
    until = until if worst.open_end else f"and is back after {long_s:.1f} s"
    cause = "a head that clogs" if worst.open_end or long_s >= DIRT_S else "dirt, or a lift"
    played = np.isfinite(worst.quieter_db)
    body_db = worst.quieter_db if played else float(worst.fall_db[BODY])
    with_body = body_db >= LEAVES * worst.mean_db
    body = "some of the lower frequencies goes too" if with_body else "the lower frequencies stay"
    text = (
        f"The treble falls {how}, hiss and all, by {worst.mean_db:.0f} dB between "
        f"{heard_khz[0]:.0f} and {heard_khz[-1]:.0f} kHz, {until}, while {body}: {cause}. Clean "
        "the head; listen whether the music suffers."
    )
    values: dict[str, Value] = {
        "hiss_fall_db": rounded(worst.mean_db, 1),
        "length_s": round((stop - start) / max(rate_hz, 1), 2),
        "slow": slow,
        "covered_s": covered_s,
        "fall_db": {
            f"{f / 1000:.0f}_khz": rounded(float(db), 1)
            for f, db in zip(frequencies_hz, worst.fall_db, strict=True)
            if np.isfinite(db)
        },
    }
    tracks = tuple(sorted({f.track for f in group}))
    return made("hf-loss", Verdict.LISTEN, Remedy.REPLAY, tracks, start, stop, text, values)


def off_the_head(
    group: Sequence[Fall], start: int, stop: int, *, rate_hz: int, limits: DropoutsLimits
) -> Finding:
    """The finding of hiss and treble that are gone, and some of the body, though it plays on.

    Args:
        start, stop: frames.
    """
    tracks = tuple(sorted({f.track for f in group}))
    hiss_db = max(f.mean_db for f in group)
    body_db = max(f.quieter_db for f in group)
    long_s = (stop - start) / max(rate_hz, 1)
    redo = hiss_db >= limits.contact_redo_db
    shared = f", on {len(tracks)} tracks together" if len(tracks) > 1 else ""
    end = (
        "Clean the head and the tape's path and play it again."
        if redo
        else "Listen whether it is heard."
    )
    text = (
        f"The tape is far off the head for {long_s:.1f} s{shared}, be it dirt or a lift, or the "
        f"signal is nearly gone: the hiss falls by {hiss_db:.0f} dB or more, and what is played by "
        f"some {body_db:.0f} dB even in the body of the sound, and both come back. {end}"
    )
    values: dict[str, Value] = {
        "length_ms": rounded(1000.0 * long_s, 1),
        "hiss_fall_db": rounded(hiss_db, 1),
        "programme_fall_db": rounded(body_db, 1),
    }
    verdict = Verdict.REDO if redo else Verdict.LISTEN
    return made("contact-loss", verdict, Remedy.REPLAY, tracks, start, stop, text, values)


def lost_signal(
    fall: Fall,
    tracks: tuple[int, ...],
    start: int,
    stop: int,
    *,
    stops_db: float,
    bare: bool,
    alone: bool,
    why: str,
) -> Finding:
    """The finding of a signal that is gone, to the end or for a while.

    Args:
        stops_db: of programme that stops within milliseconds with it; 0 where none does.
        bare: what is left is the noise of the electronics; ``alone``: there is no other track.
        why: no more than listening is asked for: "by hand", "alone", "unsure" of the hiss behind a
            decoder, "no tape"; empty where it is to be played again.
    """
    until = "to the end" if fall.open_end else "on for a while"
    text = (
        f"The signal is gone from here {until}: the hiss falls by {fall.mean_db:.0f} dB, "
        "and with it all that is heard above 1 kHz"
    )
    text += " to the noise of the electronics" if bare else ""
    text += ". " if alone else " while the other tracks run on. "
    if stops_db:
        text += f"With it, {stops_db:.0f} dB of programme stop within milliseconds. "
    text += _ENDS[why]
    values: dict[str, Value] = {
        "hiss_fall_db": rounded(fall.mean_db, 1),
        "down_to_electronics": bare,
    }
    verdict = Verdict.LISTEN if why else Verdict.REDO
    return made("signal-lost", verdict, Remedy.REPLAY, tracks, start, stop, text, values)


def softer(fall: Fall, tracks: tuple[int, ...], start: int, stop: int) -> Finding:
    """The finding of a level that falls for good while the track plays on."""
    where, far = "at all frequencies", ""
    if not fall.as_body:
        where = "in all that is heard above 1 kHz"
        far = "; or the tape is far off the head, of which too little treble is played to tell"
    text = (
        f"The level falls for good, by {fall.quieter_db:.0f} dB in what is played and by "
        f"{fall.mean_db:.0f} dB in the hiss, {where}: a bad contact on the way from the head, or "
        f"somebody turned it down{far}; listen."
    )
    values: dict[str, Value] = {
        "hiss_fall_db": rounded(fall.mean_db, 1),
        "programme_fall_db": rounded(fall.quieter_db, 1),
    }
    verdict, remedy = Verdict.LISTEN, Remedy.REPLAY
    return made("signal-lost", verdict, remedy, tracks, start, stop, text, values)


def counted(finding: Finding, count: int, listed: int, more: int = 0) -> Finding:
    """The same finding with how many of its kind there are, and how many stand in the report."""
    values = {**finding.values, "count": count, "listed": listed}
    if more:
        values["not_judged"] = more
    return Finding(
        check=finding.check,
        kind=finding.kind,
        verdict=finding.verdict,
        remedy=finding.remedy,
        tracks=finding.tracks,
        start_frame=finding.start_frame,
        frames=finding.frames,
        text=finding.text,
        values=values,
    )
