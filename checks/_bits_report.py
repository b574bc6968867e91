"""What is known of the bits of a track, and how bits that stand still for a while are told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks._still_bits import Still
from checks.model import CaptureFormat, Finding, Remedy, Value, Verdict, clock, lasting

_LISTED: Final = 32


@dataclass(frozen=True, slots=True)
class Bits:
    """Bits of a word, counted from 1 at the top: how many are used, which between are stuck."""

    used: int
    stuck: tuple[int, ...]

    @classmethod
    def of(cls, ever: int, always: int, word_length: int) -> Bits:
        moves = (ever ^ always) & 0xFFFFFFFF
        if not moves:
            return cls(0, ())
        lowest = (moves & -moves).bit_length() - 1
        used = min(32 - lowest, word_length)
        # the bits under the sign may stand still in a quiet track: only below the first that
        # moves after the sign is a gap a fault
        moving = [bit for bit in range(2, used + 1) if moves >> (32 - bit) & 1]
        first = moving[0] if moving else used
        stuck = tuple(b for b in range(first + 1, used + 1) if not moves >> (32 - b) & 1)
        return cls(used, stuck)


def named(bits: tuple[int, ...]) -> str:
    """Bits by their numbers, as the first word of a sentence."""
    if len(bits) == 1:
        return f"Bit {bits[0]}"
    return f"Bits {', '.join(map(str, bits[:-1]))} and {bits[-1]}"


def told_of(still: Still, fmt: CaptureFormat, judged: int, frames: int) -> Finding:
    """``judged``: how many bits of the word were asked to move; ``frames``: of the capture."""
    first, last = still.places[0][0], max(stop for _, stop, _ in still.places)
    count = sum(times for _, _, times in still.places)
    short = still.together and still.bits == tuple(range(still.bits[0], judged + 1))
    seconds = (last - first) / fmt.rate_hz
    when = f"{count} times within" if count > 1 else "for"
    when += f" {lasting(seconds)}"
    if count == 1 and last == frames:
        when += " to the end"
    if short and len(still.bits) > 1:
        text = (
            f"{when.capitalize()} only the upper {still.bits[0] - 1} of {judged} bits change, all "
            "of them elsewhere: the words were cut on the way; play the tape again."
        )
    else:
        stand, move = ("stands", "moves") if len(still.bits) == 1 else ("stand", "move")
        text = (
            f"{named(still.bits)} of the words {stand} still {when} though others move (counted "
            f"from the top, the sign is 1), and {move} elsewhere: the converter or its connection "
            "is faulty; play the tape again with another."
        )
    places: list[Value] = [
        {"frame": start, "at": clock(start, fmt.rate_hz), "frames": end - start, "count": times}
        for start, end, times in still.places[:_LISTED]
    ]
    starts: list[Value] = [start for start, _, _ in still.places[:_LISTED]]
    values: dict[str, Value] = {
        "bits_used": still.bits[0] - 1 if short else judged,
        "word_length": fmt.word_length,
        "expected": judged,
        "stuck_bits": list(still.bits),
        "count": count,
        "listed": len(places),
        "places": places,
        "start_frames": starts,
    }
    return Finding(
        check="format",
        kind="unused-bits",
        verdict=Verdict.REDO,
        remedy=Remedy.REPLAY,
        tracks=still.tracks,
        start_frame=first,
        frames=last - first,
        text=text,
        values=values,
    )
