"""Wrong codes counted, so that nobody gets in by guessing: by each address, and by all addresses together."""

import threading
import time
from collections import deque
from collections.abc import Callable

from vibeorder.errors import VibeorderError

__all__ = ["TooManyTriesError", "Tries"]

WINDOW_S = 600.0


class TooManyTriesError(VibeorderError):
    """Wrong codes came too often; nobody is let in for a while."""


class Tries:
    """Wrong tries of the last ten minutes. May be used from any thread.

    While too many are counted even the right code is refused, so that a guesser learns nothing.
    clock: seconds, for tests.
    """

    def __init__(self, each: int, together: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._each, self._together, self._clock = each, together, clock
        self._lock = threading.Lock()
        self._wrong: deque[tuple[float, str]] = deque(maxlen=10 * together)

    def check(self, address: str) -> None:
        """Raises TooManyTriesError where this address, or all together, tried too often."""
        since = self._clock() - WINDOW_S
        with self._lock:
            recent = [who for when, who in self._wrong if when > since]
        if len(recent) >= self._together or recent.count(address) >= self._each:
            raise TooManyTriesError("too many wrong codes were tried; wait ten minutes and try again")

    def wrong(self, address: str) -> None:
        """Count one."""
        with self._lock:
            self._wrong.append((self._clock(), address))
