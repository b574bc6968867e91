"""Every part of the bench that plants faults, and its makers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from bench_detection.faults import Fault
from bench_detection.faults_digital import digital, steps
from bench_detection.faults_levels import clipping, format_, tracks, ultrasonic
from bench_detection.faults_tape import tape

__all__ = ["PARTS", "Fault", "on_reels"]

PARTS: Final[dict[str, Callable[[], list[Fault]]]] = {
    "digital": digital,
    "steps": steps,
    "tape": tape,
    "clipping": clipping,
    "tracks": tracks,
    "ultrasonic": ultrasonic,
    "format": format_,
}


def on_reels() -> list[Fault]:
    """Faults that have a place and must be found, to be planted all over complete reels."""
    return [
        replace(fault, name=fault.name.split(",")[0])
        for part in ("digital", "steps", "tape")
        for fault in PARTS[part]()
        if fault.must and not fault.everywhere
    ]
