"""Clean tape-transfer programme of many kinds, for tests and benches. Seeded; nothing is at fault
in it, so whatever a check reports on it beyond notes is a false alarm (but see ``track_kinds``:
what a sheet would have to declare).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sample_captures.signals import ENSEMBLES, as_float, render
from sample_captures.tape import Transfer

__all__ = ["KINDS", "SCENES", "Scene", "as_float", "programme", "track_kinds"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """An ensemble, and what is set differently from the plain transfer.

    Times within ``settings`` are shares of the capture's length, scaled by ``programme``.
    """

    ensemble: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    special: str | None = None  # what the last track carries: timecode, click, unused


def _scene(ensemble: str, special: str | None = None, **settings: Any) -> Scene:
    return Scene(ensemble=ensemble, settings=settings, special=special)


RUN_IN: Final = (("standing", 0.08), ("starting", 0.06))
RUN_OUT: Final = (("stopping", 0.04), ("standing", 0.08))

SCENES: Final[Mapping[str, Scene]] = {
    "plucks": _scene("plucks"),
    "bowed": _scene("bowed", bias_hz=105_000.0),
    "drums": _scene("drums"),
    "castanets": _scene("castanets"),
    "brass": _scene("brass", line_hz=15_625.0),
    "speech": _scene("speech"),
    "organ": _scene("organ", hum_hz=50.0, hum_dbfs=-84.0),
    "drone": _scene("drone"),
    "piano": _scene("piano"),
    "tones": _scene("tones"),
    "band": _scene("band"),
    "timecode": _scene("plucks", special="timecode"),
    "clicktrack": _scene("bowed", special="click"),
    "idle-track": _scene("brass", special="unused"),
    "fades": _scene("organ", fades=((0.3, 0.2, 0.003), (0.6, 0.1, 250.0))),
    "session": _scene("band", before=RUN_IN, after=RUN_OUT),
    "switched-off": _scene("piano", before=RUN_IN, after=(*RUN_OUT, ("off", 0.1))),
    "leader": _scene("plucks", leaders=((0.45, 0.1),), before=RUN_IN, after=RUN_OUT),
    "splices-skewed": _scene("band", splices=(0.35, 0.6), skew_s=0.066),
    "splices-butt": _scene("bowed", splices=(0.3, 0.55, 0.7)),
    "relays": _scene("bowed", relays=(0.03, 0.2, 0.41, 0.55, 0.97)),
    "rising-noise": _scene("drums", converter_rise_db=45.0),
    "rising-quiet": _scene("speech", converter_rise_db=30.0, level_dbfs=-30.0),
    "saturated": _scene("brass", saturation=0.4, level_dbfs=-3.0, modulation_db=-42.0),
    "loud": _scene("drums", level_dbfs=-0.3),
    "quiet": _scene("piano", level_dbfs=-38.0),
    "worn-tape": _scene("bowed", tape_hz=14_000.0, hiss_dbfs=-54.0),
    "whistle": _scene("plucks", line_hz=31_250.0, line_dbfs=-80.0, bias_hz=150_000.0),
    "hiss-only": _scene("nothing"),
    "decoded": _scene("speech", decoded_db=20.0, hiss_dbfs=-58.0),
    "decoded-piano": _scene("piano", decoded_db=10.0, before=RUN_IN, after=RUN_OUT),
    "print-through": _scene("speech", print_db=-44.0),
}
KINDS: Final[tuple[str, ...]] = tuple(SCENES)


def programme(
    kind: str,
    *,
    rate_hz: int,
    tracks: int,
    seconds: float,
    seed: int,
    hiss_dbfs: float | None = None,
    level_dbfs: float | None = None,
    word_length: int = 24,
    **settings: Any,
) -> NDArray[np.int32]:
    """Clean programme of a kind of ``KINDS``.

    Args:
        hiss_dbfs: the tape's hiss, 20 Hz to 20 kHz, AES17 dBFS; default that of the kind (-62).
        level_dbfs: peak of the loudest track; default that of the kind (-9).
        settings: further fields of ``sample_captures.signals.Transfer``, times in seconds.

    Returns:
        int32, (tracks, frames), left-justified.
    """
    scene = SCENES[kind]
    transfer = replace(Transfer(), **_timed(scene.settings, seconds))
    if hiss_dbfs is not None:
        transfer = replace(transfer, hiss_dbfs=hiss_dbfs)
    if level_dbfs is not None:
        transfer = replace(transfer, level_dbfs=level_dbfs)
    if scene.special and tracks > 1:
        field_name = {"timecode": "timecode_track", "click": "click_track"}.get(scene.special)
        special: dict[str, Any] = (
            {field_name: tracks - 1} if field_name else {"idle_tracks": (tracks - 1,)}
        )
        transfer = replace(transfer, **special)
    return render(
        ENSEMBLES[scene.ensemble],
        replace(transfer, **settings),
        rate_hz=rate_hz,
        tracks=tracks,
        seconds=seconds,
        seed=seed,
        word_length=word_length,
    )


def track_kinds(kind: str, tracks: int) -> tuple[str, ...]:
    """What a transfer sheet would call each track: programme, timecode, click or unused."""
    special = SCENES[kind].special
    return ("programme",) * (tracks - 1) + ((special if tracks > 1 else None) or "programme",)


def _timed(settings: Mapping[str, Any], seconds: float) -> dict[str, Any]:
    """Shares of the length as seconds."""
    out = dict(settings)
    for key in ("before", "after"):
        if key in out:
            out[key] = tuple((state, share * seconds) for state, share in out[key])
    for key in ("relays", "splices"):
        if key in out:
            out[key] = tuple(share * seconds for share in out[key])
    if "leaders" in out:
        out["leaders"] = tuple((at * seconds, length * seconds) for at, length in out["leaders"])
    if "fades" in out:
        out["fades"] = tuple((at * seconds, n * seconds, f) for at, n, f in out["fades"])
    return out
