"""How often something dear may be done: many times at once, and then so often a second of capture.

So that what comes late in a long capture is looked at as well as what comes first, and a capture
full of jumps does not take more than its time.
"""

from __future__ import annotations


class Allowance:
    """Counts down, and fills up again as the capture goes on."""

    def __init__(self, *, at_once: int, a_second: float, rate_hz: int) -> None:
        self._most = float(at_once)
        self._a_frame = a_second / rate_hz
        self._left = self._most
        self._frame = 0

    def take(self, frame: int, count: int = 1) -> bool:
        """Whether it may be done so many times at a frame of the capture, and then it is."""
        more = max(frame - self._frame, 0) * self._a_frame
        self._left = min(self._left + more, self._most)
        self._frame = max(self._frame, frame)
        if self._left < count:
            return False
        self._left -= count
        return True
