"""Peaks of a capture: the largest sample, and the largest value between samples.

True peak after Recommendation ITU-R BS.1770-5 (11/2023), Annex 2: four times the rate through
the FIR table of that annex, then the absolute value. The annex asks for a rate of 192 kHz and
more, so captures at 192 kHz and above stand as they are; at 96 kHz twice would do, and four times
is taken all the same (one table, and a little nearer to the truth).

The filter's phases have gains of 0.973 and 1.002 and none falls on the sample instants, so alone
it can read below the samples: the larger of both is reported. Between the first and the last
sample only: a file that begins in mid-tone is not taken for a jump from silence.

What it does not prove: that a converter on replay stays below this; the table may read up to
0.7 dB too little near half the rate (20 log10 cos(pi f / 4 rate)).

Most blocks are never oversampled. No output of a phase can exceed the largest input times the sum
of its absolute coefficients, so only samples within that factor of the maximum so far can raise
it, and only around those the filter is run. The result is exact.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.block import Block
from checks.model import CaptureFormat

OVERSAMPLED_BELOW_HZ: Final = 192_000  # ITU-R BS.1770-5, Annex 2: the rate to be reached

PHASES: Final[NDArray[np.float64]] = np.array(
    # ITU-R BS.1770-5, Annex 2, table of the order-48, 4-phase FIR; (taps, phases)
    [
        [0.0017089843750, -0.0291748046875, -0.0189208984375, -0.0083007812500],
        [0.0109863281250, 0.0292968750000, 0.0330810546875, 0.0148925781250],
        [-0.0196533203125, -0.0517578125000, -0.0582275390625, -0.0266113281250],
        [0.0332031250000, 0.0891113281250, 0.1015625000000, 0.0476074218750],
        [-0.0594482421875, -0.1665039062500, -0.2003173828125, -0.1022949218750],
        [0.1373291015625, 0.4650878906250, 0.7797851562500, 0.9721679687500],
        [0.9721679687500, 0.7797851562500, 0.4650878906250, 0.1373291015625],
        [-0.1022949218750, -0.2003173828125, -0.1665039062500, -0.0594482421875],
        [0.0476074218750, 0.1015625000000, 0.0891113281250, 0.0332031250000],
        [-0.0266113281250, -0.0582275390625, -0.0517578125000, -0.0196533203125],
        [0.0148925781250, 0.0330810546875, 0.0292968750000, 0.0109863281250],
        [-0.0083007812500, -0.0189208984375, -0.0291748046875, 0.0017089843750],
    ]
)
TAPS: Final = 12
LARGEST_GAIN: Final = float(np.abs(PHASES).sum(axis=0).max()) * (1 + 1e-6)
"""No output exceeds the largest of its twelve inputs by more; the rest covers float32 samples."""

_REVERSED: Final = np.ascontiguousarray(PHASES[::-1])  # so that windows run forward in time


def _bounds() -> tuple[float, float]:
    """(a, b): no output exceeds a x the larger centre input + b x the largest second difference.

    A phase is parted into two taps at its centre, which carry its sum and its first moment, and
    a rest that is zero on every straight line, so that it acts on second differences alone; the
    magnitudes of its sum, twice accumulated, add up to b. Where the programme is smooth, b
    hardly counts, and a is within 0.02 dB of 1.
    """
    at = np.arange(TAPS)
    centre, curved = [], []
    for phase in _REVERSED.T:
        gain, moment = float(phase.sum()), float((at * phase).sum())
        late = moment - (TAPS // 2 - 1) * gain
        rest = phase.copy()
        rest[TAPS // 2 - 1] -= gain - late
        rest[TAPS // 2] -= late
        centre.append(abs(gain - late) + abs(late))
        curved.append(float(np.abs(np.cumsum(np.cumsum(rest))).sum()))
    return max(centre), max(curved)


_CENTRE, _CURVED = _bounds()
_SLACK: Final = 1 + 1e-5  # single precision in what only decides where to look
_CHUNK: Final = 64  # second differences are judged so many together


def oversampled(x: NDArray[np.floating]) -> NDArray[np.float64]:
    """Values between samples.

    Args:
        x: (frames,) float32 or float64, at least ``TAPS`` of them.

    Returns:
        (frames - TAPS + 1, 4): the four phases for every full window of ``TAPS`` samples.
    """
    windows = np.lib.stride_tricks.sliding_window_view(x, TAPS).astype(np.float64)
    return np.asarray(windows @ _REVERSED)


def magnitudes(block: Block) -> NDArray[np.float64]:
    """(tracks,) largest magnitude in a block, full scale 1.0; what is not finite counts as 0."""
    if block.fmt.floating:
        if block.all_finite:
            high, low = block.peak, block.trough
        else:
            finite = np.where(np.isfinite(block.samples), block.samples, 0)
            high, low = finite.max(axis=1), finite.min(axis=1)
        return np.maximum(high.astype(np.float64), -low.astype(np.float64))
    return np.maximum(block.peak.astype(np.float64), -block.trough.astype(np.float64)) * 2.0**-31


class Peaks:
    """The peaks of every track, block by block.

    Attributes:
        sample: (tracks,) largest magnitude of a sample, full scale 1.0.
        true: (tracks,) the same between samples; never below ``sample``.
    """

    def __init__(self, fmt: CaptureFormat) -> None:
        self.sample = np.zeros(fmt.channels)
        self.true = np.zeros(fmt.channels)
        self._oversamples = fmt.rate_hz < OVERSAMPLED_BELOW_HZ
        self._before = np.zeros(fmt.channels)  # of the block before: its end stands in the lead

    def feed(self, block: Block) -> None:
        """Take the next block in order."""
        found = magnitudes(block)
        np.maximum(self.sample, found, out=self.sample)
        np.maximum(self.true, found, out=self.true)
        if self._oversamples:
            reach = np.maximum(found, self._before) * LARGEST_GAIN
            if (reach > self.true).any():
                self._look_between(block, np.maximum(found, self._before))
        self._before = found

    def _look_between(self, block: Block, largest: NDArray[np.float64]) -> None:
        """Run the filter wherever a track could exceed its maximum so far.

        Args:
            largest: (tracks,) largest magnitude in the block and the one before.
        """
        rows = block.scaled_with_lead[:, max(block.lead - TAPS + 1, 0) :]
        if rows.shape[1] < TAPS:
            return
        once = block.work.take("clipping.once", (len(rows), rows.shape[1] - 1), np.float32)
        twice = block.work.take("clipping.twice", (len(rows), rows.shape[1] - 2), np.float32)
        np.subtract(rows[:, 1:], rows[:, :-1], out=once)
        np.subtract(once[:, 1:], once[:, :-1], out=twice)
        bend = np.maximum(twice.max(axis=1), -twice.min(axis=1))
        reach = np.minimum(_CENTRE * largest + _CURVED * bend, LARGEST_GAIN * largest)
        for track in np.flatnonzero(reach * _SLACK > self.true).tolist():
            self._look_closely(rows[track], twice[track], track)

    def _look_closely(
        self, row: NDArray[np.float32], twice: NDArray[np.float32], track: int
    ) -> None:
        """Run the filter over those windows of a row that could exceed the maximum so far."""
        loud = np.abs(row)
        top = int(loud.argmax())
        near = row[max(top - TAPS + 1, 0) : top + TAPS]
        if len(near) >= TAPS:  # the maximum rises most here, and the screen with it
            self._raise(track, oversampled(near))
        windows = len(row) - TAPS + 1
        reach = np.maximum(loud[TAPS // 2 - 1 :][:windows], loud[TAPS // 2 :][:windows])
        reach *= np.float32(_CENTRE * _SLACK)
        reach += _largest_near(twice, windows) * np.float32(_CURVED * _SLACK)
        at = np.flatnonzero(reach > np.float32(self.true[track]))
        if len(at) > windows // 4:
            self._raise(track, oversampled(row))
        elif len(at):
            self._raise(track, row[at[:, None] + np.arange(TAPS)] @ _REVERSED)

    def _raise(self, track: int, values: NDArray[np.float64]) -> None:
        self.true[track] = max(float(self.true[track]), float(np.abs(values).max()))


def _largest_near(twice: NDArray[np.float32], windows: int) -> NDArray[np.float32]:
    """(windows,): no less than the largest of the ten second differences within each window."""
    chunks = windows // _CHUNK + 2  # a window reaches into the chunk behind its own
    padded = np.zeros(chunks * _CHUNK, np.float32)
    np.abs(twice, out=padded[: len(twice)])
    most = padded.reshape(chunks, _CHUNK).max(axis=1)
    return np.repeat(np.maximum(most[:-1], most[1:]), _CHUNK)[:windows]
