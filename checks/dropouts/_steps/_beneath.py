"""Whether what sounded before a cut goes on beneath what follows, and the other way about.

Each side is predicted on over the other, as far as that is sure, and both are held against each
other line by line of their spectra: where the one is no fainter than the other, and is still there,
it is there in phase. A sound that begins on top of others leaves them where they are, as one that
ends does, seen from behind. Where samples are lost, or something else stands there, neither side
goes on within the other, whatever sounds on either.

What this cannot see: sides that foretell nothing (noise, what rings for a few samples), or one so
much louder than the other that it covers it; losses of so few samples that the phases hardly turn.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._predict import Floats

HEARD: Final = 10.0
"""Lines of the spectrum that must tell something, of all tracks: chance makes 0.3 of ten."""

PARTED: Final = 0.3
ON_TOP: Final = 0.6
"""Share of what is foretold up to which it does not go on, and from which on it does. From own
trials, sums over up to six tracks: losses -0.3 to 0.25, sounds that begin or end within one sample
0.55 to 1.1 in one of both directions; one of them in 350 less than 0.35 in both."""

_SURE: Final = 0.25  # most of the energy that a prediction which tells may be unsure of
_NOW: Final = 32  # thinned samples over which that energy is told
_LEAST: Final = 24  # thinned samples foretold, and the most that are held against each other:
_MOST: Final = 256  # 16 ms
_RUNS_AWAY: Final = 1e100  # steps: no square of it may overflow
_FLOOR: Final = 3.0  # times the noise of a line that must be there


@dataclass(frozen=True, slots=True)
class Share:
    """How much of what is foretold is there.

    Attributes:
        heard: lines of the spectrum on which it would be heard.
        there: those of them where it is, in phase.
    """

    heard: float = 0.0
    there: float = 0.0

    def __add__(self, other: Share) -> Share:
        return Share(self.heard + other.heard, self.there + other.there)

    @property
    def parted(self) -> bool:
        return self.heard >= HEARD and self.there <= PARTED * self.heard

    @property
    def goes_on(self) -> bool:
        return self.heard >= HEARD and self.there >= ON_TOP * self.heard


@dataclass(frozen=True, slots=True)
class Beneath:
    """What goes on of each side within the other: the past behind a cut, the future before it."""

    past: Share = Share()
    future: Share = Share()

    @classmethod
    def of(cls, tracks: Iterable[tuple[Share, Share]]) -> Self:
        past, future = Share(), Share()
        for one, other in tracks:
            past, future = past + one, future + other
        return cls(past, future)

    @property
    def parted(self) -> bool:
        """Whether neither side goes on within the other."""
        return self.past.parted and self.future.parted

    @property
    def on_top(self) -> bool:
        """Whether one does: what comes there comes on top of it."""
        return self.past.goes_on or self.future.goes_on


def share(foretold: Floats, unsure: Floats, found: Floats, floor: float) -> Share:
    """How much of what is foretold is there.

    Args:
        foretold, found: samples from the cut on, as predicted and as they are.
        unsure: variance of the prediction of each.
        floor: standard deviation of what no prediction foretells.
    """
    with np.errstate(over="ignore", invalid="ignore"):  # where a prediction runs away
        energy = np.convolve(foretold**2, np.full(_NOW, 1 / _NOW))[: len(foretold)]
        energy[:_NOW] = energy[min(_NOW, len(energy)) - 1]
        fails = np.flatnonzero(~(unsure <= _SURE * energy))
    count = int(fails[0]) if len(fails) else len(foretold)
    if count < _LEAST or not (np.abs(foretold[:count]) < _RUNS_AWAY).all():
        return Share()
    window = np.hanning(count + 2)[1:-1]
    told, there = (np.fft.rfft(x[:count] * window) for x in (foretold, found))
    noise = (float(unsure[:count].mean()) + floor**2) * float(window @ window)
    most = np.maximum(np.abs(told) ** 2, np.abs(there) ** 2) + _FLOOR * noise
    return Share(
        heard=float(np.sum(np.abs(told) ** 2 / most)),
        there=float(np.sum((there * told.conj()).real / most)),
    )


def foretold(past: Floats, whitening: Floats, floor: float) -> tuple[Floats, Floats]:
    """What follows, as predicted on, and the variance of that, ``_MOST`` samples."""
    ahead = _predict.continued(past, whitening, _MOST)
    with np.errstate(over="ignore", invalid="ignore"):
        unsure = np.cumsum(_predict.response(whitening, _MOST) ** 2) * floor**2
    return ahead, unsure
