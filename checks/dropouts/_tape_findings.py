"""Findings of the tape half, put together in one way."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._bands import HISS
from checks.dropouts._judge import Lift
from checks.dropouts._lasting import Fall
from checks.dropouts._others import TOGETHER_S
from checks.model import Finding, Remedy, Value, Verdict, rounded

DIRT_S: Final = 2.0
"""A head that clogs stays so for longer (common practice)."""

_AT_ONCE: Final = 2  # entries from the last hiss as before to half of the fall, both cut
_ONSET_S: Final = 0.5  # how well the place of a lasting fall is known


@dataclass(slots=True)
class LiftEvent:
    """Lifts of several tracks that belong together."""

    lifts: list[Lift]
    also: set[int]

    @property
    def start(self) -> int:
        return min(lift.start for lift in self.lifts)

    @property
    def stop(self) -> int:
        return max(lift.start + lift.hops for lift in self.lifts)

    @property
    def flat(self) -> bool:
        """All frequencies alike, as far as each track shows it, and some show it clearly."""
        outer = [k for k in self.lifts if not self.holds(k)]
        return any(k.flat for k in outer) and all(k.flat or k.even for k in outer)

    def holds(self, lift: Lift) -> bool:
        """Whether a lift lies within another of its track: its sides say nothing of the hiss."""
        return any(
            k is not lift
            and k.track == lift.track
            and k.start <= lift.start
            and lift.start + lift.hops <= k.start + k.hops
            and k.hops > lift.hops
            for k in self.lifts
        )

    def takes(self, lift: Lift) -> bool:
        """Whether one more lift is of the same sort."""
        if self.flat == lift.flat or self.holds(lift):
            return True
        return all(k.flat or k.even for k in (*self.lifts, lift))

    def times(self, track: int) -> int:
        """How often the track lifts by itself; what overlaps is one lift."""
        end, count = -1, 0
        for lift in sorted((k for k in self.lifts if k.track == track), key=lambda k: k.start):
            count += lift.start > end
            end = max(end, lift.start + lift.hops)
        return count


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
    slow = worst.slow and worst.first - worst.since > _AT_ONCE
    how = "slowly" if slow else "at once"
    how = how if covered_s <= TOGETHER_S else f"within {covered_s:.1f} s"
    long_s = (worst.last - worst.first) * entry_s
    heard_khz = frequencies_hz[HISS:][np.isfinite(worst.fall_db[HISS:])] / 1000.0
    until = "and is not heard to come back"
    until = until if worst.open_end else f"and is back after {long_s:.1f} s"
    cause = "a head that clogs" if worst.open_end or long_s >= DIRT_S else "dirt, or a lift"
    text = (
        f"The treble falls {how}, hiss and all, by {worst.mean_db:.0f} dB between "
        f"{heard_khz[0]:.0f} and {heard_khz[-1]:.0f} kHz, {until}, while the lower "
        f"frequencies stay: {cause}. Clean the head; listen whether the music suffers."
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


def softer(fall: Fall, tracks: tuple[int, ...], start: int, stop: int) -> Finding:
    """The finding of a level that falls for good while the track plays on."""
    text = (
        f"The level falls for good, by {fall.quieter_db:.0f} dB in what is played and by "
        f"{fall.mean_db:.0f} dB in the hiss, at all frequencies: a bad contact on the way from "
        "the head, or somebody turned it down; listen."
    )
    values: dict[str, Value] = {
        "hiss_fall_db": rounded(fall.mean_db, 1),
        "programme_fall_db": rounded(fall.quieter_db, 1),
    }
    verdict, remedy = Verdict.LISTEN, Remedy.REPLAY
    return made("signal-lost", verdict, remedy, tracks, start, stop, text, values)


def lift_text(where: str, fall_db: float, loss_db: float, *, alike: bool, redo: bool) -> str:
    """The sentence for a lift; ``where``: its length and whether tracks share it.

    Args:
        loss_db: at 10 kHz; ``alike``: no band of the hiss shows that the treble goes first.
    """
    shape = (
        "alike in all its bands, while the body stays or is covered"
        if alike
        else f"and the treble goes first, some {loss_db:.0f} dB or more at 10 kHz"
    )
    end = (
        "Clean the head and the tape's path and play it again."
        if redo
        else "Listen whether it is heard."
    )
    return (
        f"The tape lifts from the head for {where}: the hiss itself falls by {fall_db:.0f} dB, "
        f"{shape}. {end}"
    )


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


def begins_with(lift: Finding, lasting: Iterable[Finding], rate_hz: int) -> bool:
    """Whether a lift to be listened to is but the first moment of a lasting fall that is told.

    Programme may have covered the beginning of the fall for a while.
    """
    if lift.verdict is not Verdict.LISTEN:
        return False
    for fall in lasting:
        covered_s = fall.values.get("covered_s", 0.0)
        early_s = (covered_s if isinstance(covered_s, float) else 0.0) + _ONSET_S
        behind_s = ((lift.start_frame or 0) - (fall.start_frame or 0)) / rate_hz
        if set(lift.tracks) <= set(fall.tracks) and -early_s <= behind_s <= _ONSET_S:
            return True
    return False
