"""The line-up in the form of the sidecar."""

from __future__ import annotations

from math import degrees, pi

import numpy as np

from checks.lineup._azimuth import angle_arcmin
from checks.lineup._lineup import Lineup, Meant
from checks.measures import (
    AzimuthLine,
    LineupMeasures,
    ResponseLine,
    ToneLine,
    ToneTrackLine,
)
from checks.model import dbfs_rms, rounded
from checks.sheet import Sheet


def measures(lineup: Lineup, sheet: Sheet, rate_hz: int, *, most: int) -> LineupMeasures:
    """Tones, azimuth, response and speed; at most ``most`` tones."""
    speed = lineup.speed_ratio
    return LineupMeasures(
        tones=tuple(_tone(lineup, meant, rate_hz) for meant in lineup.tones[:most]),
        speed_error_percent=rounded(100 * (speed - 1), 4) if speed is not None else None,
        azimuth=_azimuth(lineup, sheet),
        response=_response(lineup, most),
        head_tilt_arcmin=rounded(tilt_arcmin(lineup, sheet), 3),
        tones_found=len(lineup.tones),
    )


def tilt_arcmin(lineup: Lineup, sheet: Sheet) -> float | None:
    """Tilt of the head in minutes of arc; None where the sheet gives no speed or spacing."""
    speed, spacing = sheet.tape.speed_cm_s, sheet.tape.track_spacing_mm
    if lineup.tilt is None or speed is None or spacing is None:
        return None
    return angle_arcmin(lineup.tilt.seconds_a_track, spacing, speed)


def _tone(lineup: Lineup, meant: Meant, rate_hz: int) -> ToneLine:
    tone = meant.tone
    deviations = lineup.deviations_db(meant)
    against = tone.tracks[lineup.against]
    lines = []
    for k, track in enumerate(tone.tracks):
        there = track.amplitude > 0
        phase = track.phase_rad - against.phase_rad
        turn = (-phase + pi) % (2 * pi) - pi if np.isfinite(phase) else None
        noise = track.noise_power
        lines.append(
            ToneTrackLine(
                track=k + 1,
                level_dbfs=rounded(meant.levels_dbfs[k], 4),
                deviation_db=rounded(deviations[k], 3),
                phase_deg=rounded(degrees(turn), 4) if turn is not None and there else None,
                flutter_percent=rounded(track.flutter_percent, 4),
                phase_spread_deg=rounded(degrees(track.weave_rad), 2) if there else None,
                flutter_unweighted_percent=rounded(track.unweighted_percent, 4),
                steadiness_db=rounded(track.swing_db, 2) if there else None,
                distortion_percent=rounded(track.distortion_percent, 3),
                noise_dbfs=rounded(dbfs_rms(noise), 1) if noise is not None else None,
            )
        )
    return ToneLine(
        start_s=round(tone.start / rate_hz, 3),
        end_s=round(tone.stop / rate_hz, 3),
        frequency_hz=round(tone.hz, 6),
        nominal_hz=meant.nominal_hz,
        kind="reference-tone" if meant.is_reference_tone else "steady",
        tracks=tuple(lines),
        expected_dbfs=rounded(meant.expected_dbfs, 2),
        step_db=rounded(meant.step_db, 2),
        flutter_percent=rounded(tone.flutter_percent, 4),
    )


def _azimuth(lineup: Lineup, sheet: Sheet) -> tuple[AzimuthLine, ...]:
    speed, spacing = sheet.tape.speed_cm_s, sheet.tape.track_spacing_mm
    lines = []
    for k, delay in enumerate(lineup.delays):
        if k == lineup.against or not lineup.tones:
            continue
        angle = None
        if delay is not None and speed is not None and spacing is not None:
            angle = angle_arcmin(delay.seconds, spacing * (k - lineup.against), speed)
        lines.append(
            AzimuthLine(
                track=k + 1,
                against=lineup.against + 1,
                delay_us=rounded(delay.seconds * 1e6, 4) if delay else None,
                uncertainty_us=rounded(delay.sigma_s * 1e6, 4) if delay else None,
                angle_arcmin=rounded(angle, 3),
                inverted=bool(delay and delay.inverted),
            )
        )
    return tuple(lines)


def _response(lineup: Lineup, most: int) -> tuple[ResponseLine, ...]:
    lines = []
    for meant in lineup.tones[:most]:
        relative = lineup.response_db(meant)
        if relative is None:
            continue
        for k, db in enumerate(relative):
            value = rounded(db, 3)
            if value is not None:
                hz = meant.nominal_hz or round(meant.tone.hz, 1)
                lines.append(ResponseLine(track=k + 1, frequency_hz=hz, relative_db=value))
    return tuple(lines)
