"""From what was measured to findings: verdict, remedy, and one plain sentence each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from checks._ranks import median
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._tape._at_once import Moments
from checks.dropouts._tape._bands import HISS, FilterBank, Floats
from checks.dropouts._tape._contact import Candidate
from checks.dropouts._tape._cut_off import LEAST_DB, CutOffs
from checks.dropouts._tape._cuts import cut_ends
from checks.dropouts._tape._dead import dead, joined
from checks.dropouts._tape._decoded import by_decoder, under_programme, with_programme
from checks.dropouts._tape._ends import is_gone, lost
from checks.dropouts._tape._fades import Fade, fade_out
from checks.dropouts._tape._fading import is_by_hand, unfaded, without_fade
from checks.dropouts._tape._findings import (
    DIRT_S,
    counted,
    hf_loss,
    lost_signal,
    off_the_head,
    softer,
)
from checks.dropouts._tape._floors import LevelHistory
from checks.dropouts._tape._hiss import Hiss
from checks.dropouts._tape._judge import Judge
from checks.dropouts._tape._lasting import (
    PLAYS_ON,
    Fall,
    duller,
    is_flat,
    is_silent,
    rises,
    turned_down,
)
from checks.dropouts._tape._lifts import LiftEvent, begins_with, lift_finding
from checks.dropouts._tape._motion import MOST_HISS_DB, Course, course, programme_spans
from checks.dropouts._tape._others import LEAVES, NO_TAPE_DB, TOGETHER_S, comes_and_goes, hissing
from checks.dropouts._tape._stopped import stopped
from checks.dropouts._tape._tones import Tones, told
from checks.dropouts._tape._unjudged import not_judged
from checks.dropouts._tape._without_tape import WithoutTape
from checks.model import CaptureFormat, Finding, Verdict
from checks.sheet import NoiseReduction, ReelKind, Sheet, TrackKind

_JOIN_S: Final = 0.03  # lifts closer than that are one event, whatever the track
_SERIES_S: Final = 1.0  # on the same track, one finding
_ELECTRONICS_DB: Final = 3.0  # how close to the standing machine's floor counts as that floor
_COMES_BACK_DB: Final = 2.0  # more is asked for of a signal that comes back: bulk-erased tape
_NEVER_RESTS: Final = 0.9  # of the entries
_ROUNDING_DB: Final = -4.0  # 2 over what dither leaves, half a step (triangular, and rounding)
_SELDOM: Final = 0.1  # of the entries, in which what is drawn down may still play (own trials)
_GONE_S: Final = 0.6  # shorter is told as a dip


class TapeReport:
    """What a capture's band levels say about tape and head."""

    def __init__(
        self,
        *,
        fmt: CaptureFormat,
        sheet: Sheet,
        limits: DropoutsLimits,
        bank: FilterBank,
        history: LevelHistory,
        frames: int,
        cut_offs: CutOffs,
        moments: Moments,
        stops: Moments,
        tones: Tones,
    ) -> None:
        self._fmt, self._sheet, self._limits = fmt, sheet, limits
        self._bank, self._history, self._frames = bank, history, frames
        self._cut_offs, self._moments, self._stops = cut_offs, moments, stops
        self._tones = tones
        self._entry = history.entry_hops * bank.hop  # frames
        self._entry_s = self._entry / max(fmt.rate_hz, 1)
        self._rounding_db = _ROUNDING_DB + 20.0 * np.log10(fmt.lsb / fmt.full_scale)
        kinds = [sheet.track(k).kind for k in range(fmt.channels)]
        music = [k for k, kind in enumerate(kinds) if kind is TrackKind.PROGRAMME]
        # Digital silence is no witness of what a tape does, nor of what other tracks show.
        self._silent = {k for k in range(fmt.channels) if history.is_silent(k)}
        self._music = [k for k in music if k not in self._silent] or music
        self._plain = sheet.tape.noise_reduction in (NoiseReduction.NONE, NoiseReduction.ENCODED)

    def outcome(
        self, candidates: Sequence[Candidate], head: Floats, tail: Floats, dropped: int
    ) -> PartOutcome:
        if not self._history.entries:
            return PartOutcome()
        fade = fade_out(self._history, self._music, self._entry_s)
        judged = self._music or list(range(self._fmt.channels))
        way = course(self._history, judged, self._entry_s, fade.first or None)
        # A line-up begins and ends in its tones and parts them as it likes.
        lineup = self._sheet.reel.kind is ReelKind.LINEUP
        findings: list[Finding] = []
        counts = {name: [0] * self._fmt.channels for name in ("contact_losses", "level_dips")}
        if self._fmt.rate_hz >= 32_000:
            reduction = self._sheet.tape.noise_reduction
            known, limits = (self._music, self._entry_s), self._limits
            fade, shows, stayed = without_fade(self._history, way, *known, limits.hf_loss_db)
            least_db, bands_hz = limits.signal_lost_db, self._bank.frequencies_hz
            way, stayed = lost(self._history, way, stayed, *known, least_db, bands_hz)
            # Other falls are rests, of the same hiss; short ones are lifts from it.
            named = self._named(stayed, way)
            apart = [
                f
                for kind, f in named
                if kind or (self._lasts(f) >= DIRT_S and not comes_and_goes(f, self._history))
            ]
            hiss = Hiss(self._history, way, apart, least_db=self._rounding_db)
            judge = Judge(
                self._bank, self._history, way, reduction, self._limits, hiss, self._music
            )
            lasting = self._lasting(named, way, hiss)
            shown = min(shows * self._history.entry_hops, self._frames // self._bank.hop)
            hops_per_s = self._fmt.rate_hz / self._bank.hop
            heard = unfaded(candidates, head[:, judged], tail[:, judged], shown, hops_per_s)
            findings += self._contacts(judge, heard, dropped, lasting, counts)
            rate_hz, listed = self._fmt.rate_hz, self._limits.listed_tape
            dips = told(self._tones.found, findings, self._bank.hop, rate_hz, listed)
            findings += dips
            for one in (*lasting, *dips):
                for track in one.tracks if one.kind == "contact-loss" else ():
                    counts["contact_losses"][track] += 1
            if not lineup:
                findings += not_judged(hiss, way, self._music, self._entry_s, self._frames)
            gone = dead(
                self._history,
                way,
                self._music,
                entry=self._entry,
                frames=self._frames,
                rate_hz=self._fmt.rate_hz,
                told=lasting,
                cut_offs=self._cut_offs,
                hiss=hiss,
            )
            lasting = joined(lasting, gone, TOGETHER_S * self._fmt.rate_hz)
            # Tones end on all tracks at once; of a line-up only some that fall silent are told.
            findings += [
                f
                for f in lasting
                if not (lineup and f.kind == "signal-lost" and set(self._music) <= set(f.tracks))
            ]
        if not lineup:
            findings = [*self._without(way, fade), *findings]
            findings += stopped(
                self._history,
                way,
                self._music,
                self._stops,
                hop=self._bank.hop,
                frames=self._frames,
                rate_hz=self._fmt.rate_hz,
                told=findings,
            )
            cut = cut_ends(
                self._history,
                way,
                self._music,
                head,
                tail,
                entry=self._entry,
                frames=self._frames,
                fade=fade.first,
                cut_offs=self._cut_offs,
                told=findings,
            )
            findings = [*cut, *findings]
        loud = np.logical_or.reduce(way.programme[self._music] & way.running)
        programme = [self._place(a, b) for a, b in programme_spans(loud, self._entry_s)]
        return PartOutcome(findings=tuple(findings), counts=counts, programme=tuple(programme))

    def _place(self, first: int, last: int) -> tuple[int, int]:
        """Entries as frames; the last entry of all reaches to the end."""
        stop = self._frames if last >= self._history.entries else last * self._entry
        return first * self._entry, max(stop, first * self._entry)

    # ---- notes ---------------------------------------------------------------------------

    def _without(self, way: Course, fade: Fade) -> list[Finding]:
        stretches = WithoutTape(
            self._history,
            way,
            self._music,
            self._moments,
            entry=self._entry,
            frames=self._frames,
            rate_hz=self._fmt.rate_hz,
            least_s=self._limits.no_tape_s,
        )
        return stretches.findings(faded=fade.deep)

    # ---- lifts and dips -------------------------------------------------------------------

    def _contacts(
        self,
        judge: Judge,
        candidates: Sequence[Candidate],
        dropped: int,
        lasting: Sequence[Finding],
        counts: dict[str, list[int]],
    ) -> list[Finding]:
        """Lifts and dips; each is added to the ``counts`` of its kind and track."""
        events: list[LiftEvent] = []
        music = [c for c in candidates if c.track in self._music]
        for one, lift in judge.lifts(sorted(music, key=lambda c: (c.start, c.track))):
            also = {k for k in self._music if k != one.track and judge.shares(one, k)}
            gap_s = (
                (lift.start - events[-1].stop) * self._bank.hop / self._fmt.rate_hz
                if events
                else np.inf
            )
            alone = bool(events) and {k.track for k in events[-1].lifts} == {lift.track}
            near = gap_s < (_SERIES_S if alone else _JOIN_S)
            if near and events[-1].takes(lift):
                events[-1].lifts.append(lift)
                events[-1].also |= also
            else:
                events.append(LiftEvent([lift], also))
        graded = []
        for event in events:
            finding = lift_finding(
                event, self._bank.hop, self._fmt.rate_hz, self._limits, self._sheet.tape.speed_cm_s
            )
            if begins_with(finding, lasting, self._fmt.rate_hz):
                continue
            name = "level_dips" if finding.kind == "level-dip" else "contact_losses"
            for track in finding.tracks:
                counts[name][track] += max(1, event.times(track))
            worst = max(lift.fall_db * lift.hops for lift in event.lifts)
            graded.append((finding, worst))
        out = []
        for kind in ("contact-loss", "level-dip"):
            for verdict in (Verdict.REDO, Verdict.LISTEN):
                same = [g for g in graded if g[0].kind == kind and g[0].verdict is verdict]
                same.sort(key=lambda g: -g[1])
                listed = same[: self._limits.listed_tape]
                more = dropped if kind == "contact-loss" and verdict is Verdict.LISTEN else 0
                out += [counted(one, len(same), len(listed), more) for one, _ in listed]
        return out

    # ---- falls that stay ------------------------------------------------------------------

    def _named(self, stayed: Sequence[Fall], way: Course) -> list[tuple[str | None, Fall]]:
        """Each fall with what it is called; those that come and go together alike."""
        named = [(self._kind(fall, way), fall) for fall in stayed]
        for called in ("signal-lost", "contact-loss"):
            like = [fall for kind, fall in named if kind == called]
            most = _SELDOM if called == "signal-lost" else 1.0
            named = [
                (called if f.plays <= most and self._goes_with(f, like) else kind, f)
                for kind, f in named
            ]
        return named

    def _goes_with(self, fall: Fall, others: Sequence[Fall]) -> bool:
        """Whether a fall begins and ends as another one does."""
        near = round(TOGETHER_S / self._entry_s)
        return any(max(abs(f.first - fall.first), abs(f.last - fall.last)) <= near for f in others)

    def _lasting(
        self, named: Sequence[tuple[str | None, Fall]], way: Course, hiss: Hiss
    ) -> list[Finding]:
        told = [
            (kind, fall)
            for kind, fall in named
            if kind is not None
            and not (
                kind == "hf-loss"
                and not (self._plain or self._goes(fall))
                and fall.mean_db < LEAST_DB
                and with_programme(fall, self._history, way.running)
            )
        ]
        told.sort(key=lambda item: (item[0], item[1].first, item[1].track))
        groups: list[tuple[str, list[Fall]]] = []
        for kind, fall in told:
            # Where programme covers the treble's hiss, the fall may have come sooner.
            at = fall.since if kind == "hf-loss" else fall.first
            if (
                groups
                and groups[-1][0] == kind
                and (at - groups[-1][1][0].first) * self._entry_s <= TOGETHER_S
            ):
                groups[-1][1].append(fall)
            else:
                groups.append((kind, [fall]))
        findings = []
        for kind, group in groups:
            same = sum(1 for k, _ in groups if k == kind)
            if kind == "hf-loss":
                far = any(self._is_far(fall, way) or self._goes(fall) for fall in group)
                if not (self._plain or far) and by_decoder(group, self._music):
                    continue
                place = self._place(min(f.first for f in group), max(f.last for f in group))
                bands_hz, rate_hz = self._bank.frequencies_hz, self._fmt.rate_hz
                one = hf_loss(group, bands_hz, *place, rate_hz=rate_hz, entry_s=self._entry_s)
                findings.append(counted(one, same, same))
            elif kind == "contact-loss":
                place = self._place(min(f.first for f in group), max(f.last for f in group))
                rate_hz, limits = self._fmt.rate_hz, self._limits
                one = off_the_head(group, *place, rate_hz=rate_hz, limits=limits)
                findings.append(counted(one, same, same))
            else:
                findings.append(counted(self._lost(group, way, hiss), same, same))
        return findings

    def _lasts(self, fall: Fall) -> float:
        return (fall.last - fall.first) * self._entry_s

    def _kind(self, fall: Fall, way: Course) -> str | None:
        """What a lasting fall is called, if it is one."""
        length_s = self._lasts(fall)
        covered_s = (fall.first - fall.since) * self._entry_s if fall.open_end else 0.0
        if fall.before_db < self._rounding_db:
            return None
        played = fall.before_db > MOST_HISS_DB and fall.steady < _NEVER_RESTS
        if played and not fall.open_end and is_flat(fall):
            return None  # noise that somebody plays, and plays again
        if fall.plays <= PLAYS_ON and not fall.open_end and is_flat(fall):
            back = fall.mean_db >= self._limits.signal_lost_db + _COMES_BACK_DB
            return "signal-lost" if back and length_s >= _GONE_S else None
        if length_s + covered_s < self._limits.lasting_s:
            return None
        if self._goes(fall):
            return "hf-loss" if fall.as_body is False else "signal-lost"
        if is_gone(fall):
            return None
        if self._is_far(fall, way):
            return "hf-loss" if fall.open_end else "contact-loss"
        if is_flat(fall) or is_silent(fall) or (is_by_hand(fall) and not duller(fall)):
            # digital silence is no treble that fell, nor what goes down with the body alone
            return None
        return "hf-loss" if rises(fall, self._bank.frequencies_hz) else None

    def _goes(self, fall: Fall) -> bool:
        """Whether the level of a track goes down for good, all of it or as behind a wide gap."""
        return fall.mean_db >= self._limits.signal_lost_db and (is_gone(fall) or turned_down(fall))

    def _is_far(self, fall: Fall, way: Course) -> bool:
        """Whether the body of what is played falls with the hiss, and nobody turns it down."""
        least_db = self._limits.signal_lost_db + _COMES_BACK_DB
        with_body = fall.mean_db >= least_db and fall.quieter_db >= LEAVES * fall.mean_db
        by_hand = fall.open_end and (fall.slow or fall.fades)
        return with_body and not by_hand and under_programme(fall, self._history, way.running)

    def _lost(self, group: list[Fall], way: Course, hiss: Hiss) -> Finding:
        start, stop = self._place(min(f.first for f in group), max(f.last for f in group))
        tracks = tuple(sorted({f.track for f in group}))
        worst = max(group, key=lambda f: f.mean_db)
        bare = any(self._electronics(f, way) for f in group)
        others = [k for k in range(self._fmt.channels) if k not in {*tracks, *self._silent}]
        stops_db = max(self._cut_offs.at(f, self._history, way) for f in group)
        by_hand = all(f.fades for f in group) and not stops_db
        sure = bare or self._plain or stops_db > 0 or float(np.nanmax(worst.fall_db)) >= LEAST_DB
        if all(turned_down(f) for f in group):
            return softer(worst, tracks, start, stop)
        why = "by hand" if by_hand else "alone" if not others else "unsure" if not sure else ""
        why = why or ("" if self._is_tape(group, way, hiss) else "no tape")
        place = (tracks, start, stop)
        return lost_signal(worst, *place, stops_db=stops_db, bare=bare, alone=not others, why=why)

    def _is_tape(self, group: Sequence[Fall], way: Course, hiss: Hiss) -> bool:
        """Whether what fell may have been a tape's hiss, or that of a tape is heard anywhere."""
        if not way.running.all() or any(fall.before_db <= MOST_HISS_DB for fall in group):
            return True
        heard = hissing(hiss, self._history, self._music).values()
        return any(NO_TAPE_DB <= np.nanmean(one[HISS:]) <= MOST_HISS_DB for one in heard)

    def _electronics(self, fall: Fall, way: Course) -> bool:
        """Whether a fall ends at the floor of the electronics, as heard without tape, or below."""
        standing = ~way.running & way.low[fall.track]
        bare_db: float = median(way.level_db[fall.track, standing])  # NaN where it never stands
        return fall.after_db <= bare_db + _ELECTRONICS_DB if standing.any() else is_silent(fall)
