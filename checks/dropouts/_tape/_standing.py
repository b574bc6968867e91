"""Where the hiss of most tracks is down: what tells tape that stands from tracks that are lost."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.dropouts._tape._stretches import CLICKS, Bools, spans

Floats = NDArray[np.float32]

NEAR_DB: Final = 3.0  # over the lowest hiss: still hiss, not programme (common practice: 3 to 4)
WITH: Final = 0.3  # of the fall, in the body: three times what a gap takes there of 8 to 20 kHz
FED_DB: Final = 1.0  # by which the level of a generator may move (common practice)


def hisses_on(level: Floats, steady: Bools, tape_db: float) -> bool:
    """Whether a track hisses while others are down, as much as they do where they are not.

    Args:
        level: of the track; ``steady``: where that may be its hiss. Both (entries,).
        tape_db: usual hiss of those others.
    """
    at = steady & (np.abs(level - np.float32(tape_db)) <= NEAR_DB)
    return 2 * int(np.count_nonzero(at)) >= len(level)


def goes_whole(body: Floats, level: Floats, below: Bools, rests: Bools, here: slice) -> bool:
    """Whether all tracks go down for a moment together, and the body of the sound with the hiss.

    So it is where a machine stops and starts, however short, whatever is heard while its speed
    comes and goes. Behind a gap the body of rests hardly falls.

    Args:
        body, level: of body and hiss; ``below``: where the hiss is down. All (tracks, entries).
        rests: where nobody plays, (entries,); ``here``: the stretch.
    """
    down = rests[here].copy()
    for own, hiss, low in zip(body, level, below, strict=True):
        fall = float(median(hiss[~low])) - hiss[here]
        down &= low[here] & (percentile(own[~low], 5) - own[here] > WITH * fall)
    return max((b - a for a, b in spans(down)), default=0) >= CLICKS


def is_fed(body: Floats, loud: Bools, below: Bools) -> bool:
    """Whether a track plays one level all along without its hiss: a generator, not the tape.

    Args:
        body: mean level of the body; ``loud``: where it plays; ``below``: where its hiss is down.
            All (entries,).
    """
    whole = loud.copy()
    whole[1:] &= loud[:-1]
    whole[:-1] &= loud[1:]
    return bool(whole.any() and below[whole].all() and np.ptp(body[whole]) <= FED_DB)
