"""Public recordings as the checks get them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

WORDS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32}  # subtypes of libsndfile


def recording(path: Path) -> tuple[NDArray[Any], int, int]:
    """(tracks, frames), int32 left-justified or float32; the rate; the word length."""
    subtype = soundfile.info(path).subtype
    dtype = "float32" if subtype == "FLOAT" else "int32"
    x, rate_hz = soundfile.read(path, dtype=dtype, always_2d=True)
    return np.ascontiguousarray(x.T), rate_hz, WORDS[subtype]
