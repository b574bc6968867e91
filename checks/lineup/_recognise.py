"""Line-up tone or not: what tells a tone that was put there from notes, hum and whistles.

A line-up tone stands alone: no partials but the low harmonics of distortion, little beside it, on
most tracks at once, steady in level, for two seconds and more, between 0 and -45 dBFS. A held note
of an organ or a synthesiser has partials; a bowed one moves; hum and pilot are not loud, or not
alone, or not on most tracks. What is recorded as a pure sine on all tracks cannot be told from a
line-up tone, whatever it was meant for.
"""

from __future__ import annotations

from typing import Final

from checks._ranks import median
from checks.lineup._limits import LineupLimits
from checks.lineup._nominal import nominal_hz
from checks.lineup._tone import Tone
from checks.model import dbfs_peak
from checks.sheet import Sheet, TrackKind

FROM_HZ, TO_HZ = 28.0, 42_000.0  # 30 Hz to 40 kHz, at a speed some per cent off
SWING_DB: Final = 0.8  # common practice: 0.3 dB either way, and some hiss
SWING_HIGH_DB: Final = 2.5  # at 8 kHz and more: 1 dB either way
HIGH_HZ: Final = 8_000.0
HARMONICS_PERCENT: Final = 10.0  # an overloaded tape; notes have more
HARMONICS_UNUSUAL_PERCENT: Final = 3.0  # at frequencies that no test tape has
TOP_DBFS: Final = 1.0
DRIFT_PERCENT: Final = 1.5  # of the frequency: no machine worth lining up is worse; glides are
MAINS_HZ: Final = (50.0, 60.0)
MAINS_OFF: Final = 0.005
FAINT_DBFS: Final = -34.0  # of the mains: no line-up's. Of others: only if they begin and end


def judged_tracks(sheet: Sheet, channels: int) -> list[int]:
    """Tracks that may carry line-up tones: those of programme, all where the sheet has none."""
    found = [k for k in range(channels) if sheet.track(k).kind is TrackKind.PROGRAMME]
    return found or list(range(channels))


def is_lineup_tone(
    tone: Tone, rate_hz: int, sheet: Sheet, limits: LineupLimits, *, declared: bool
) -> bool:
    """Whether a steady stretch is a tone of a line-up."""
    judged = judged_tracks(sheet, len(tone.tracks))
    if tone.seconds(rate_hz) < limits.min_tone_s or not FROM_HZ <= tone.hz <= TO_HZ:
        return False
    holding = [tone.tracks[k] for k in judged if tone.tracks[k].holds]
    if len(holding) < max(1, limits.tracks_share * len(judged)):
        return False
    level = dbfs_peak(float(median([t.amplitude for t in holding])))
    if not limits.min_level_dbfs <= level <= TOP_DBFS:
        return False
    swing = float(median([t.swing_db for t in holding]))
    if swing > (SWING_HIGH_DB if tone.hz >= HIGH_HZ else SWING_DB):
        return False
    told = [t.distortion_percent for t in holding if t.distortion_percent is not None]
    usual = nominal_hz(tone.hz, sheet.lineup) is not None
    most = HARMONICS_PERCENT if usual or declared else HARMONICS_UNUSUAL_PERCENT
    if told and float(median(told)) > most:
        return False
    if tone.drift_percent > DRIFT_PERCENT:
        return False
    return declared or not _of_mains(tone) or level >= FAINT_DBFS


GAP_S: Final = 0.6  # a click may part a tone for a moment
SAME_HZ: Final = 0.002
SAME_DB: Final = 0.7


def standing(tones: list[Tone], rate_hz: int) -> list[Tone]:
    """The tones without those that go on under the music, as hum, pilot and whistle do.

    A tone that goes on in the next one, of the same frequency and level, is held to its end. Loud
    ones are kept in any case: what lies over their ends may be an announcement.
    """
    kept: list[Tone] = []
    chain: list[Tone] = []
    for tone in tones:
        if chain and not _continues(chain[-1], tone, rate_hz):
            kept += _kept(chain)
            chain = []
        chain.append(tone)
    return kept + _kept(chain)


def _kept(chain: list[Tone]) -> list[Tone]:
    if chain and not (chain[0].opens and chain[-1].closes):
        return [tone for tone in chain if _level_dbfs(tone) >= FAINT_DBFS and not _of_mains(tone)]
    return chain


def _of_mains(tone: Tone) -> bool:
    return any(abs(tone.hz / hz - 1) <= MAINS_OFF for hz in MAINS_HZ)


def _level_dbfs(tone: Tone) -> float:
    """Of the median track that has it."""
    return dbfs_peak(float(median([t.amplitude for t in tone.tracks if t.holds])))


def _continues(before: Tone, after: Tone, rate_hz: int) -> bool:
    if before.closes and after.opens:
        return False
    near = after.start - before.stop <= GAP_S * rate_hz
    same = abs(after.hz / before.hz - 1) <= SAME_HZ
    return near and same and abs(_level_dbfs(before) - _level_dbfs(after)) <= SAME_DB
