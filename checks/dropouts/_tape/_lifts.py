"""Lifts of the tape from the head, and dips of the level: which belong together, as findings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._tape._findings import made
from checks.dropouts._tape._judge import Lift
from checks.model import Finding, Remedy, Value, Verdict, rounded

_SPACING_DB: Final = 54.6  # per wavelength: 20 log10 e^(2 pi)
_EDGE_HOPS: Final = 8  # some 3 ms, within which lifts of several tracks begin and end together
_EDGE_SHARE: Final = 8  # or that part of their length (from memory)
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
    def outer(self) -> list[Lift]:
        """Those that lie within no other one."""
        return [k for k in self.lifts if not self.holds(k)]

    @property
    def flat(self) -> bool:
        """All frequencies alike, as far as each track shows it, and some show it clearly."""
        outer = self.outer
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

    def goes_with(self, lift: Lift) -> bool:
        """Whether another track lifts at the same time, which one thin place in a coat does not."""
        return any(
            k.track != lift.track
            and max(abs(k.start - lift.start), abs(k.start + k.hops - lift.start - lift.hops))
            <= max(_EDGE_HOPS, lift.hops // _EDGE_SHARE)
            for k in self.lifts
        )

    def takes(self, lift: Lift) -> bool:
        """Whether one more lift is of the same sort."""
        if self.flat == lift.flat or self.holds(lift) or self.goes_with(lift):
            return True
        return all(k.flat or k.even for k in (*self.lifts, lift))

    def starts(self, track: int | None = None) -> list[int]:
        """Where the track, or any, begins to lift; what overlaps is one lift."""
        end, out = -1, list[int]()
        lifts = [k for k in self.lifts if track in (None, k.track)]
        for lift in sorted(lifts, key=lambda k: k.start):
            if lift.start > end:
                out.append(lift.start)
            end = max(end, lift.start + lift.hops)
        return out

    def times(self, track: int) -> int:
        """How often the track lifts by itself."""
        return len(self.starts(track))


def lift_finding(
    event: LiftEvent, hop: int, rate_hz: int, limits: DropoutsLimits, speed_cm_s: float | None
) -> Finding:
    """The finding of lifts that belong together, or of a dip of the whole level.

    Args:
        hop: frames.
    """
    lifts = event.lifts
    tracks = tuple(sorted({lift.track for lift in lifts} | event.also))
    hop_ms = 1000.0 * hop / rate_hz
    length_ms = max(lift.hops for lift in lifts) * hop_ms
    fall = max(lift.fall_db for lift in lifts)
    loss = max(lift.least_db for lift in lifts)
    start, stop = event.start * hop, event.stop * hop
    values: dict[str, Value] = {
        "length_ms": rounded(length_ms, 1),
        "hiss_fall_db": rounded(fall, 1),
        "times": max(event.times(track) for track in tracks),
    }
    if len(event.starts()) > 1:
        values["start_frames"] = [at * hop for at in event.starts()]
    told = f"{length_ms:.0f} ms" if length_ms >= 1 else f"{length_ms:.1f} ms"
    shared = f", on {len(tracks)} tracks together" if len(tracks) > 1 else ""
    if event.flat:
        text = (
            f"All that is heard above 1 kHz, hiss included, goes down by {fall:.0f} dB or more, to "
            f"mere noise, for {told}{shared}: the tape was off the head, whereby the lowest notes "
            "may stay, or the signal was gone."
            if all(lift.sunk for lift in lifts)
            else f"The level of all frequencies, hiss included, dips by {fall:.0f} dB or more for "
            f"{told}{shared}: a thin place in the coat, or the level was changed."
        )
        return made("level-dip", Verdict.LISTEN, Remedy.LISTEN, tracks, start, stop, text, values)
    values |= {"loss_at_10_khz_db": rounded(loss, 1), "loss_at_least": True}
    if speed_cm_s is not None:
        values["distance_um"] = rounded(loss * speed_cm_s * 1e4 / 10_000.0 / _SPACING_DB, 1)
        values["distance_at_least"] = True
    redo = any(
        lift.sure
        and lift.hops * hop_ms >= limits.contact_redo_ms
        and lift.loss_db >= limits.contact_redo_db
        for lift in lifts
    )
    rises, whole = any(lift.rises for lift in lifts), all(lift.whole for lift in event.outer)
    text = _lift_text(told + shared, fall, loss, rises=rises, whole=whole, redo=redo)
    verdict, remedy = (Verdict.REDO if redo else Verdict.LISTEN), Remedy.REPLAY
    return made("contact-loss", verdict, remedy, tracks, start, stop, text, values)


def _lift_text(
    where: str, fall_db: float, loss_db: float, *, rises: bool, whole: bool, redo: bool
) -> str:
    """The sentence for a lift; ``where``: its length and whether tracks share it.

    Args:
        loss_db: at least, at 10 kHz; ``rises``: the treble goes first; ``whole``: the body goes
            as well.
    """
    shape = (
        f"and the treble goes first, at least {loss_db:.0f} dB at 10 kHz"
        if rises
        else "alike in all its bands and in the body of the sound: a wide gap, or a thin place in "
        "the coat"
        if whole
        else f"alike in all its bands, at least {loss_db:.0f} dB at 10 kHz or far more beneath "
        "other noise, while the body stays or is covered"
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
