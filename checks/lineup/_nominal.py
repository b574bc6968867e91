"""What a tone was meant to be: its nominal frequency and level."""

from __future__ import annotations

from typing import Final

from checks.sheet import LineupSheet, SheetTone

# ISO 266 third octaves, and what test tapes and desks have besides (common practice)
NOMINAL_HZ: Final = (
    30.0, 31.5, 40.0, 50.0, 60.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 333.0,
    400.0, 500.0, 630.0, 700.0, 800.0, 850.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3000.0,
    3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10_000.0, 12_000.0, 12_500.0, 14_000.0, 15_000.0,
    16_000.0, 18_000.0, 20_000.0, 22_000.0, 25_000.0, 30_000.0, 31_500.0, 40_000.0,
)  # fmt: skip
OFF: Final = 0.03  # most that an oscillator or a machine is off (common practice: 1 to 3 %)
OFF_SHEET: Final = 0.05  # where the sheet says what to expect
STEPS_DB: Final = (0.0, -10.0, -20.0)  # tones recorded lower on purpose (common practice)
STEP_ROOM_DB: Final = 4.5  # so that every level has at most one step


def nearest(hz: float, choices: tuple[float, ...], off: float) -> float | None:
    """The nearest of some frequencies by ratio, within ``off``; None of none."""
    best = min(choices, key=lambda f: abs(hz / f - 1.0), default=None)
    return best if best is not None and abs(hz / best - 1.0) <= off else None


def sheet_tone(hz: float, sheet: LineupSheet) -> SheetTone | None:
    """The sheet's tone of that frequency."""
    wanted = nearest(hz, tuple(tone.hz for tone in sheet.tones), OFF_SHEET)
    return next((tone for tone in sheet.tones if tone.hz == wanted), None)


def nominal_hz(hz: float, sheet: LineupSheet) -> float | None:
    """The frequency meant: the sheet's, else the usual one nearby."""
    told = sheet_tone(hz, sheet)
    if told is not None:
        return told.hz
    return nearest(hz, (sheet.reference_hz,), OFF) or nearest(hz, NOMINAL_HZ, OFF)


def step_db(relative_db: float) -> float:
    """The usual step that a level against the reference tone's lies at; 0 where none fits."""
    best = min(STEPS_DB, key=lambda step: abs(relative_db - step))
    return best if abs(relative_db - best) <= STEP_ROOM_DB else 0.0
