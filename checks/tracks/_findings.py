"""From what was measured to findings: one plain sentence each, verdict and remedy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from checks.model import Finding, Remedy, Value, Verdict, rounded
from checks.sheet import NoiseReduction, Sheet, TrackKind
from checks.tracks._equal import Double, Stretch
from checks.tracks._hum import Hum
from checks.tracks._offset import Held
from checks.tracks._silence import Silence

CHECK: Final = "tracks"


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """What the tracks of a capture are: by the sheet, and by their signal."""

    sheet: Sheet
    recognised: Mapping[int, TrackKind]

    def declared(self, track: int) -> TrackKind | None:
        """The sheet's word; None where it does not reach so far."""
        return self.sheet.track(track).kind if track < len(self.sheet.tracks) else None

    def named_programme(self, track: int) -> bool:
        """Whether the sheet names the track as one that carries programme."""
        entry = self.sheet.track(track)
        return self.declared(track) is TrackKind.PROGRAMME and entry.name is not None

    def excused(self, track: int, recognised: Iterable[TrackKind]) -> bool:
        """Whether the sheet, or for these kinds the signal, says it is no programme."""
        declared = self.declared(track)
        if declared is not None and declared is not TrackKind.PROGRAMME:
            return True
        return self.recognised.get(track) in tuple(recognised)


def finding(
    kind: str,
    verdict: Verdict,
    remedy: Remedy,
    tracks: Iterable[int],
    text: str,
    values: Mapping[str, Value],
    place: Stretch | None = None,
) -> Finding:
    return Finding(
        check=CHECK,
        kind=kind,
        verdict=verdict,
        remedy=remedy if verdict is not Verdict.CLEAR else Remedy.NONE,
        tracks=tuple(tracks),
        text=text,
        values=dict(values),
        start_frame=place.first_move if place else None,
        frames=place.last_move - place.first_move if place else None,
    )


# -- silent --------------------------------------------------------------------------------------

_SILENT_TEXT: Final = {
    "digital": "Every sample has one value: nothing was recorded here, not even a converter's "
    "noise. Check patching and converter.",
    "converter": "There is only a converter's noise from beginning to end, far below any tape's "
    "hiss. Check patching, replay amplifier and head.",
    "electronics": "There is a steady noise without any programme, well below the tape hiss of "
    "the other tracks: likely bare electronics. Check patching, replay amplifier and head.",
    "leakage": "What is heard never comes up to the tape hiss of the other tracks, and the noise "
    "under it lies well below that: likely bare electronics with other tracks leaking in. Check "
    "patching, replay amplifier and head.",
}
_SILENT_THEN: Final = (
    " If the tape has a track here, play it again; if it has none, call the track unused in the "
    "sheet."
)


def silent(found: Mapping[int, Silence], who: Who) -> list[Finding]:
    """Silent tracks, those with the same evidence and verdict in one finding."""
    sure = who.sheet.tape.noise_reduction in (NoiseReduction.NONE, NoiseReduction.ENCODED)
    groups: dict[tuple[str, Verdict], list[int]] = {}
    for track, silence in sorted(found.items()):
        if who.declared(track) is TrackKind.UNUSED:
            continue
        redo = who.named_programme(track) and (sure or silence.evidence == "digital")
        verdict = Verdict.REDO if redo else Verdict.LISTEN
        groups.setdefault((silence.evidence, verdict), []).append(track)
    findings = []
    for (evidence, verdict), tracks in groups.items():
        values: dict[str, Value] = {
            "evidence": evidence,
            "floor_dbfs": [rounded(found[t].floor_dbfs, 1) for t in tracks],
            "hiss_of_others_above_db": [rounded(found[t].above_db, 1) for t in tracks],
        }
        text = _SILENT_TEXT[evidence] + _SILENT_THEN
        findings.append(finding("silent", verdict, Remedy.REPLAY, tracks, text, values))
    return findings


# -- identical -----------------------------------------------------------------------------------


def identical(doubles: Sequence[Double], who: Who, *, frames: int, listed: int) -> list[Finding]:
    """Tracks equal bit for bit, one finding for those that are so over the same stretches."""
    groups: list[tuple[set[int], Double]] = []
    for double in doubles:
        places = [(s.start, s.stop) for s in double.stretches]
        for tracks, other in groups:
            same = places == [(s.start, s.stop) for s in other.stretches]
            if same and tracks & set(double.tracks):
                tracks.update(double.tracks)
                break
        else:
            groups.append((set(double.tracks), double))
    groups.sort(key=lambda g: (-g[1].frames, sorted(g[0])))  # the worst first
    findings = []
    for tracks, double in groups[:listed]:
        longest = max(double.stretches, key=lambda s: (s.stop - s.start, -s.start))
        whole = longest.start == 0 and longest.stop >= frames
        tone = longest.tone and not whole
        verdict, text = _identical_verdict(sorted(tracks), who, whole=whole, tone=tone)
        values: dict[str, Value] = {
            "whole": whole,
            "generated_tone": tone,
            "count": double.count,
            "listed": len(double.stretches),
            "stretches": [[s.first_move, s.last_move - s.first_move] for s in double.stretches],
            "frames_in_all": double.frames,
        }
        findings.append(
            finding("identical", verdict, Remedy.REPLAY, sorted(tracks), text, values, longest)
        )
    return findings


def _identical_verdict(
    tracks: list[int], who: Who, *, whole: bool, tone: bool
) -> tuple[Verdict, str]:
    span = "from beginning to end" if whole else "over this stretch, though not elsewhere"
    text = f"These tracks are equal bit for bit {span}"
    if all(who.excused(t, (TrackKind.TIMECODE, TrackKind.CLICK)) for t in tracks):
        return Verdict.CLEAR, f"{text}; they carry no programme."
    declared = all(who.sheet.declared_same(tracks[0], t) for t in tracks[1:])
    if whole and declared:
        return Verdict.CLEAR, f"{text}, as the sheet declares."
    if tone:
        return Verdict.LISTEN, (
            f"{text}: a sine without any noise, so a generator's mark put in behind the tape; "
            "listen whether it covers programme."
        )
    return Verdict.REDO, (
        f"{text}: one input was recorded twice, for two tracks of a tape never agree like that, "
        "and what belongs on the other is missing. Look at the patching, then play the tape again."
    )


# -- offset and hum ------------------------------------------------------------------------------


def offset(found: Mapping[int, Held], limit_percent: float) -> list[Finding]:
    """Tracks with a DC offset beyond the limit: those that have it throughout, and the others."""
    throughout = {track: held for track, held in found.items() if held.first is None}
    partly = {track: held for track, held in found.items() if held.first is not None}
    return [_offset(some, limit_percent) for some in (throughout, partly) if some]


def _offset(found: Mapping[int, Held], limit_percent: float) -> Finding:
    worst = 100 * max((held.mean for held in found.values()), key=abs)
    starts = [held.first for held in found.values() if held.first is not None]
    while_it_runs = ", which comes or goes while the tape runs" if starts else ""
    text = (
        f"The waveform does not swing about zero: a DC offset of up to {worst:+.3g} % of full "
        f"scale (limit {limit_percent:g} %){while_it_runs}, likely from the converter or an input "
        "stage. Listen for clicks where the sound starts and stops, and have the offset seen to "
        "before the next tape; a high-pass filter takes it out of a copy of this one."
    )
    values: dict[str, Value] = {
        "dc_percent": [rounded(100 * held.mean, 4) for held in found.values()]
    }
    found_offset = finding("dc-offset", Verdict.LISTEN, Remedy.LISTEN, found, text, values)
    if not starts:
        return found_offset
    stop = max(held.stop or 0 for held in found.values())
    return replace(found_offset, start_frame=min(starts), frames=stop - min(starts))


def hum(found: Mapping[int, Hum]) -> list[Finding]:
    """Tracks with mains hum beyond the limit, those with the same mains in one finding."""
    findings = []
    for nominal in sorted({_nominal(h) for h in found.values()}):
        tracks = [t for t in sorted(found) if _nominal(found[t]) == nominal]
        worst = max(found[t].level_dbfs for t in tracks)
        several = max(len(found[t].harmonics) for t in tracks)
        text = (
            f"Mains hum of {nominal} Hz runs through the quiet parts, "
            f"{f'{several} lines, together' if several > 1 else 'one line,'} up to {worst:.1f} "
            "dBFS; it may be on the tape or come from the replay chain: listen to that without the "
            "tape."
        )
        values: dict[str, Value] = {
            "hum_hz": [rounded(found[t].mains_hz, 3) for t in tracks],
            "hum_dbfs": [rounded(found[t].level_dbfs, 1) for t in tracks],
            "harmonics": [list(found[t].harmonics) for t in tracks],
        }
        findings.append(finding("hum", Verdict.LISTEN, Remedy.LISTEN, tracks, text, values))
    return findings


def _nominal(found: Hum) -> int:
    return 50 if found.mains_hz < 55 else 60


# -- notes ---------------------------------------------------------------------------------------

_RECOGNISED_TEXT: Final = {
    TrackKind.TIMECODE: "This looks like timecode (biphase code)",
    TrackKind.PILOT: "This looks like a pilot or a generator: one steady tone throughout",
    TrackKind.CLICK: "This looks like a click track: short beats at equal distances",
    TrackKind.UNUSED: "There is steady noise at the level of tape hiss and no programme, as on "
    "an unused track of a running tape",
}
_UNDER_TEXT: Final = (
    "There is steady noise and no programme, {:.0f} dB under all other tracks at their quietest: "
    "an unused track of the tape, or no tape at all, which cannot be told while the others never "
    "rest"
)


def track_kinds(
    who: Who, silences: Mapping[int, Silence], tracks: int, under_db: Mapping[int, float]
) -> list[Finding]:
    """Notes on tracks that are no programme, by the sheet or by their signal.

    Args:
        under_db: how far tracks of steady noise lie under all others, where that is far.
    """
    groups: dict[str, list[int]] = {}
    kinds: dict[str, tuple[str | None, str | None]] = {}
    for track in range(tracks):
        declared, seen = who.declared(track), who.recognised.get(track)
        if seen is None and (declared is None or declared is TrackKind.PROGRAMME):
            continue
        text = _kind_text(declared, seen, under_db.get(track), silent=track in silences)
        groups.setdefault(text, []).append(track)
        kinds[text] = (declared.value if declared else None, seen.value if seen else None)
    return [
        finding(
            "track-kind",
            Verdict.CLEAR,
            Remedy.NONE,
            who_has_it,
            text,
            {"declared": kinds[text][0], "recognised": kinds[text][1]},
        )
        for text, who_has_it in groups.items()
    ]


def _kind_text(
    declared: TrackKind | None, seen: TrackKind | None, under_db: float | None, *, silent: bool
) -> str:
    if seen is None:
        if declared is TrackKind.UNUSED:
            state = "is silent" if silent else "carries a signal all the same"
            return f"The sheet calls this track unused; it {state}."
        return (
            f"The sheet calls this {declared} and excuses it from what suits programme only; the "
            "signal does not show by itself that it is."
        )
    text = _RECOGNISED_TEXT[seen] if under_db is None else _UNDER_TEXT.format(under_db)
    if declared is seen:
        return f"{text}, as the sheet says."
    if declared is None:
        return f"{text}; the sheet says nothing about it."
    return f"{text}, but the sheet calls it {declared}."
