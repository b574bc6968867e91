"""A capture's line-up as a whole: what each tone was meant to be, and what all say together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log2
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.lineup._azimuth import Delay, Tilt, delay_of, delay_of_angle_s, tilt_of
from checks.lineup._nominal import nominal_hz, sheet_tone, step_db
from checks.lineup._tone import Tone
from checks.model import dbfs_peak
from checks.sheet import Sheet

REFERENCE_HZ: Final = (300.0, 3200.0)  # where else a reference tone may lie than the sheet says
SPEED_FROM_HZ: Final = 200.0
ALIKE_DB: Final = 1.0  # tones of one frequency no further apart are meant to be of one level
TAPE_NOISE_DB: Final = -85.0  # no tape has so little noise under a tone (common practice: -75)


@dataclass(frozen=True, slots=True, kw_only=True)
class Meant:
    """A tone with what it was meant to be.

    Attributes:
        nominal_hz: None where the frequency is no usual one.
        expected_dbfs: by the sheet; None without its word.
        step_db: how much lower than the reference tone it was recorded, as far as is known.
        told: the step is the sheet's, not a guess.
        levels_dbfs: (tracks,), NaN where the tone is not there.
    """

    tone: Tone
    nominal_hz: float | None
    expected_dbfs: float | None
    step_db: float
    told: bool
    levels_dbfs: NDArray[np.float64]

    @property
    def is_reference_tone(self) -> bool:
        """Whether it is the shifting tone of noise reduction."""
        return self.tone.period_s is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lineup:
    """All tones of a capture, in order of time.

    Attributes:
        reference: the tone against which response is told; None without one.
        against: the track against which phases are told, from 0.
        judged: tracks that are judged, from 0.
        delays: a delay a track; None where unknown.
        tilt: of the head; None where fewer than two tracks have a delay, where they lie on no
            line, and where the sheet gives no tape speed or track spacing.
        speed_ratio: frequency over nominal; None where no tone tells.
        off_tape: noise lies under the tones as only tape has it.
        level_db: how far levels may lie apart and still count as one.
    """

    tones: tuple[Meant, ...]
    reference: Meant | None
    against: int
    judged: tuple[int, ...]
    delays: tuple[Delay | None, ...]
    tilt: Tilt | None
    speed_ratio: float | None
    off_tape: bool
    level_db: float

    @property
    def plain(self) -> tuple[Meant, ...]:
        """The tones but those of noise reduction."""
        return tuple(m for m in self.tones if not m.is_reference_tone)

    def deviations_db(self, meant: Meant) -> NDArray[np.float64]:
        """(tracks,): level against what the sheet expects, else against what most tracks share."""
        if meant.expected_dbfs is not None:
            return meant.levels_dbfs - meant.expected_dbfs
        return meant.levels_dbfs - self.common_level(meant)[0]

    def common_level(self, meant: Meant) -> tuple[float, int]:
        """The level that the largest group of judged tracks shares, and how many these are.

        The median of all and 0 where no group is the largest: then nothing tells who is right.
        NaN where no track has the tone.
        """
        known = np.sort(meant.levels_dbfs[list(self.judged)])
        known = known[np.isfinite(known)]
        if not len(known):
            return float("nan"), 0
        # of each track and those above it, within the tolerance to either side of their middle
        ends = np.searchsorted(known, known + 2 * self.level_db, side="right")
        sizes = ends - np.arange(len(known))
        first = int(np.argmax(sizes))
        apart = [n for k, n in enumerate(sizes) if k >= ends[first] or ends[k] <= first]
        if (sizes[first] < 2 and len(known) > 1) or sizes[first] <= max(apart, default=0):
            return float(median(known)), 0
        middle = float(median(known[first : ends[first]]))
        return middle, int(np.count_nonzero(np.abs(known - middle) <= self.level_db))

    def response_db(self, meant: Meant) -> NDArray[np.float64] | None:
        """(tracks,): level against the track's own reference tone, recorded steps allowed for."""
        if self.reference is None or meant is self.reference or meant.is_reference_tone:
            return None
        step = meant.step_db - self.reference.step_db
        return meant.levels_dbfs - self.reference.levels_dbfs - step


def gather(tones: list[Tone], sheet: Sheet, judged: list[int], channels: int) -> Lineup:
    """The line-up that some tones make."""
    against = _reference_track(tones, sheet, judged)
    bare = [_levels(tone) for tone in tones]
    first = _reference_of(tones, sheet, judged)
    base = _median(bare[first], judged) if first is not None else None
    told = [_meant(t, lv, sheet, base, judged) for t, lv in zip(tones, bare, strict=True)]
    delays = tuple(_delay(tones, k, against) for k in range(channels))
    ratios = [
        (m.tone.hz / m.nominal_hz, m.tone.stop - m.tone.start)
        for m in told
        if m.nominal_hz is not None
        and (m.tone.hz >= SPEED_FROM_HZ or len(told) == 1)
        and not m.is_reference_tone
    ]
    beside = [
        t.beside_db for tone in tones for t in tone.tracks if t.holds and t.beside_db is not None
    ]
    return Lineup(
        tones=tuple(told),
        reference=told[first] if first is not None else None,
        against=against,
        judged=tuple(judged),
        delays=delays,
        tilt=_tilt(delays, judged, sheet),
        speed_ratio=float(median([ratio for ratio, _ in ratios])) if ratios else None,
        off_tape=not beside or float(median(beside)) > TAPE_NOISE_DB,
        level_db=sheet.lineup.level_db,
    )


def _tilt(delays: Sequence[Delay | None], judged: list[int], sheet: Sheet) -> Tilt | None:
    speed, spacing = sheet.tape.speed_cm_s, sheet.tape.track_spacing_mm
    if speed is None or spacing is None:
        return None
    allowed_s = delay_of_angle_s(sheet.lineup.azimuth_arcmin, spacing, speed)
    tilt = tilt_of([d if k in judged else None for k, d in enumerate(delays)], allowed_s)
    return tilt if tilt is not None and tilt.fits else None


def cents(ratio: float) -> float:
    """1200 log2 of a ratio of frequencies."""
    return 1200.0 * log2(ratio)


def _levels(tone: Tone) -> NDArray[np.float64]:
    levels = [dbfs_peak(t.amplitude) for t in tone.tracks]
    return np.array([level if np.isfinite(level) else np.nan for level in levels])


def _median(levels: NDArray[np.float64], judged: list[int]) -> float | None:
    known = levels[judged]
    known = known[np.isfinite(known)]
    return float(median(known)) if len(known) else None


def _reference_track(tones: list[Tone], sheet: Sheet, judged: list[int]) -> int:
    """The sheet's reference track; where it has no tone, the first judged one that has."""
    wanted = sheet.lineup.reference_track - 1
    having = [k for k in judged if any(t.tracks[k].holds for t in tones)]
    if not having or wanted in having:
        return wanted if wanted in judged else judged[0]
    return having[0]


def _reference_of(tones: list[Tone], sheet: Sheet, judged: list[int]) -> int | None:
    """Which tone is the reference: the sheet's frequency, else the one nearest to it."""
    wanted = sheet.lineup.reference_hz
    plain = [k for k, tone in enumerate(tones) if tone.period_s is None]
    named = [k for k in plain if nominal_hz(tones[k].hz, sheet.lineup) == wanted]
    if not named:
        low, high = REFERENCE_HZ
        named = [k for k in plain if low <= tones[k].hz <= high]
        named.sort(key=lambda k: abs(log2(tones[k].hz / wanted)))
        named = named[:1]
    if not named:
        return None
    # of several no short one, which is more often an announcement than a level tone; and of those
    # the loudest: tones are recorded lower than the level tone on purpose, hardly ever higher
    longest = max(tones[k].stop - tones[k].start for k in named)
    long = [k for k in named if 2 * (tones[k].stop - tones[k].start) >= longest]
    levels = {k: _median(_levels(tones[k]), judged) or -inf for k in long}
    loud = [k for k in long if levels[k] >= max(levels.values()) - ALIKE_DB]
    return max(loud, key=lambda k: tones[k].stop - tones[k].start)


def _meant(
    tone: Tone,
    levels: NDArray[np.float64],
    sheet: Sheet,
    base_dbfs: float | None,
    judged: list[int],
) -> Meant:
    lineup = sheet.lineup
    nominal = nominal_hz(tone.hz, lineup)
    entry = sheet_tone(tone.hz, lineup)
    middle = _median(levels, judged)
    if tone.period_s is not None:
        return Meant(tone=tone, nominal_hz=nominal, expected_dbfs=lineup.nr_mark_dbfs, step_db=0.0,
                     told=False, levels_dbfs=levels)  # fmt: skip
    reference = lineup.reference_dbfs
    if reference is None and entry is not None:
        named = sheet_tone(lineup.reference_hz, lineup)
        reference = named.dbfs if named is not None else None
    if entry is not None and entry.dbfs is not None and reference is not None:
        step = entry.dbfs - reference
        return Meant(tone=tone, nominal_hz=nominal, expected_dbfs=entry.dbfs, step_db=step,
                     told=True, levels_dbfs=levels)  # fmt: skip
    over = reference if reference is not None else base_dbfs
    step = step_db(middle - over) if middle is not None and over is not None else 0.0
    expected = reference + step if reference is not None else None
    if entry is not None and entry.dbfs is not None:
        expected = entry.dbfs
    return Meant(tone=tone, nominal_hz=nominal, expected_dbfs=expected, step_db=step, told=False,
                 levels_dbfs=levels)  # fmt: skip


def _delay(tones: list[Tone], track: int, against: int) -> Delay | None:
    """From every tone that both tracks carry; of several at one frequency, the surest."""
    surest: dict[int, tuple[float, float, float]] = {}
    for tone in tones:
        own, other = tone.tracks[track], tone.tracks[against]
        if not own.holds or not other.holds or tone.period_s is not None:
            continue
        phase = own.phase_rad - other.phase_rad
        key = round(tone.hz)
        if key not in surest or own.phase_sigma_rad < surest[key][2]:
            surest[key] = (tone.hz, phase, own.phase_sigma_rad)
    if not surest:
        return None
    hz, phases, sigmas = zip(*sorted(surest.values()), strict=True)
    if track == against:
        return Delay(seconds=0.0, sigma_s=0.0, inverted=False, ambiguous=False)
    return delay_of(hz, phases, sigmas)
