"""Every part of the bench that plants faults, and its makers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from bench_detection.faults import Fault
from bench_detection.faults_digital import digital, steps
from bench_detection.faults_levels import clipping, format_, tracks, ultrasonic
from bench_detection.faults_tape import tape

__all__ = ["PARTS", "Fault"]

PARTS: Final[dict[str, Callable[[], list[Fault]]]] = {
    "digital": digital,
    "steps": steps,
    "tape": tape,
    "clipping": clipping,
    "tracks": tracks,
    "ultrasonic": ultrasonic,
    "format": format_,
}
