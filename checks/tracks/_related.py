"""Tracks that carry one signal, pair by pair; one that is reversed against several, once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from math import isfinite
from typing import Final

from checks.model import Finding, Remedy, Value, Verdict, rounded
from checks.sheet import TrackKind
from checks.tracks._findings import Who, finding
from checks.tracks._pairs import Pair
from checks.tracks._sameness import Sameness

_SAME_LEVEL_DB: Final = 0.005  # shown as 0.00 dB
_ONE_OF_MANY: Final = (
    "Track {} carries the programme of each of the others in reversed polarity, so its lead may be "
    "reversed, here or at the recording: listen to it together with one of them, and where the "
    "sound grows thin look at the leads of this transfer; if they are right, note it for the mix."
)


def related(
    pairs: Sequence[tuple[Pair, Sameness]], who: Who, *, rate_hz: int, listed: int
) -> list[Finding]:
    """Pairs that carry one signal; ``pairs`` closest first."""
    told = [(same.kind, pair, *_of_two(pair, same, who)) for pair, same in pairs]
    leads = [
        pair
        for (pair, same), (_, _, verdict, _) in zip(pairs, told, strict=True)
        if same.kind == "inverted" and not same.shared_hiss and verdict is Verdict.LISTEN
    ]
    findings: list[Finding] = []
    for track, some in _against_several(leads):
        told = [one for one in told if one[1] not in some]
        others = sorted({t for pair in some for t in pair.tracks} - {track})
        values = _values(some[0], rate_hz) | {"pairs": len(some)}
        findings.append(
            finding(
                "inverted",
                Verdict.LISTEN,
                Remedy.LISTEN,
                (track, *others),
                _ONE_OF_MANY.format(track + 1),
                values,
            )
        )
    for kind, pair, verdict, text in told:
        values = _values(pair, rate_hz)
        found = finding(kind, verdict, Remedy.LISTEN, pair.tracks, text, values)
        if pair.stretches:
            start, stop = max(pair.stretches, key=lambda s: (s[1] - s[0], -s[0]))
            found = replace(found, start_frame=start, frames=stop - start)
        findings.append(found)
    return _listed(findings, listed)


def _against_several(pairs: Sequence[Pair]) -> list[tuple[int, list[Pair]]]:
    """Each track that is reversed against several others, the most first, with its pairs."""
    found: list[tuple[int, list[Pair]]] = []
    left = list(pairs)
    while left:
        (track, count), *_ = Counter(t for pair in left for t in pair.tracks).most_common(1)
        if count < 2:
            break
        found.append((track, [pair for pair in left if track in pair.tracks]))
        left = [pair for pair in left if track not in pair.tracks]
    return found


def _listed(findings: Sequence[Finding], most: int) -> list[Finding]:
    """The first of each kind, and how many there are of it."""
    counts = Counter(f.kind for f in findings)
    seen: Counter[str] = Counter()
    out = []
    for f in findings:
        seen[f.kind] += 1
        if seen[f.kind] <= most:
            count = counts[f.kind]
            out.append(replace(f, values={**f.values, "count": count, "listed": min(count, most)}))
    return out


def _values(pair: Pair, rate_hz: int) -> dict[str, Value]:
    delay = pair.delay_s
    partly: dict[str, Value] = {}
    if pair.stretches:
        partly["stretches"] = [[start, stop - start] for start, stop in pair.stretches]
        if pair.elsewhere_s is not None:
            partly["elsewhere_us"] = rounded(pair.elsewhere_s * 1e6, 3)
    return partly | {
        "gain_db": rounded(pair.gain_db),
        "inverted": pair.inverted,
        "delay_us": rounded(delay * 1e6, 3) if delay is not None else None,
        "delay_samples": rounded(delay * rate_hz, 3) if delay is not None else None,
        "residual_db": rounded(pair.residual_db, 1),
        "correlation": rounded(pair.correlation, 4),
    }


def _delay(seconds: float) -> str:
    return f"{abs(seconds) * 1e6:.1f} us {'later' if seconds > 0 else 'earlier'}"


def _where(pair: Pair) -> str:
    """Of two that agree over stretches only, where."""
    if not pair.stretches:
        return ","
    several = len(pair.stretches)
    text = f", over {f'these {several} stretches' if several > 1 else 'this stretch'}"
    if pair.elsewhere_s is None:
        return f"{text}, while something else parts them between or elsewhere;"
    how = _delay(pair.elsewhere_s) if pair.elsewhere_s else "neither later nor earlier"
    return f"{text}, and elsewhere {how}: samples were lost or put in on one of the two;"


def _of_two(pair: Pair, same: Sameness, who: Who) -> tuple[Verdict, str]:
    level = f"{pair.gain_db:+.2f} dB" if pair.gain_db is not None else "some gain"
    if pair.gain_db is not None and abs(pair.gain_db) < _SAME_LEVEL_DB:
        level = "at the same level"
    how = f"{level}, polarity reversed" if pair.inverted else level
    if same.kind == "delayed" and pair.delay_s is not None:
        how += f", {_delay(pair.delay_s)}"
    left = "no difference that can be measured"
    if pair.residual_db is not None and isfinite(pair.residual_db):
        left = f"a difference of {pair.residual_db:.0f} dB"
    if not same.sure:
        return Verdict.CLEAR, (
            f"The second track follows the first ({how}; {left}); the programme never "
            "falls far enough to tell whether each has a hiss of its own, as mono material on "
            "two tracks would have."
        )
    if same.shared_hiss:
        text = (
            f"The second track is the first again ({how}; {left}), hiss included"
            f"{_where(pair)} so one signal was recorded twice"
        )
        act = "look whether the right tracks were patched to the converter"
        if same.kind == "inverted":
            act += " and which lead is reversed"
    else:
        own = (
            "each with a hiss of its own"
            if same.shared_hiss is False
            else f"{left}, and whether each has a hiss of its own cannot be told"
        )
        text = (
            f"The second track carries the programme of the first in reversed polarity ({level}), "
            f"{own}{_where(pair)} so a lead may be reversed, here or at the recording"
        )
        act = (
            "listen to the two together, and where the sound grows thin look at the leads of this "
            "transfer; if they are right, note it for the mix"
        )
    if who.sheet.declared_same(*pair.tracks):
        return Verdict.CLEAR, f"{text}; the sheet declares them the same."
    kinds = (TrackKind.TIMECODE, TrackKind.CLICK, TrackKind.PILOT)
    if all(who.excused(track, kinds) for track in pair.tracks):
        return Verdict.CLEAR, f"{text}; they carry no programme."
    return Verdict.LISTEN, f"{text}: {act}."
