"""Who may use the page from another machine: a code shown at the server, good for one device, tries counted."""

import hmac
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable

from vibeorder.errors import VibeorderError
from vibeorder.web.tries import Tries

__all__ = ["Access"]

CODE_DIGITS = 8
# With 20 tries in ten minutes from all machines together, somebody who tries day and night for a year has
# one chance in 95: 1e8 codes / (20 x 6 x 24 x 365). Each admitted device changes the code besides.
TRIES_TOGETHER = 20
TRIES_EACH = 5
PASSES = 200


class Access:
    """The code of the moment and the passes given out. Lives as long as the server; nothing is written down.

    show: called with the new code whenever it changes. clock: seconds, for tests.
    """

    def __init__(
        self, show: Callable[[str], None] | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._show = show
        self._lock = threading.Lock()
        self._tries = Tries(TRIES_EACH, TRIES_TOGETHER, clock)
        self._passes: deque[str] = deque(maxlen=PASSES)
        self.code = _new_code()

    def admit(self, code: str, address: str) -> str:
        """Spend the code and return a pass for the cookie. Raises VibeorderError where it is wrong.

        Compared in constant time; a wrong try counts against the address and against all together.
        """
        with self._lock:
            self._tries.check(address)
            given = "".join(code.split()).replace("-", "")
            if not hmac.compare_digest(given.encode(), self.code.encode()):
                self._tries.wrong(address)
                raise VibeorderError("that is not the code; look at the screen where vibeorder serve runs")
            self.code = _new_code()
            ticket = secrets.token_urlsafe(32)
            self._passes.append(ticket)
        if self._show is not None:
            self._show(self.code)
        return ticket

    def has(self, ticket: str) -> bool:
        """Whether a pass was given out by this server since it was started."""
        with self._lock:
            same = [hmac.compare_digest(ticket.encode(), one.encode()) for one in self._passes]
        return any(same)


def _new_code() -> str:
    return "".join(secrets.choice("0123456789") for _ in range(CODE_DIGITS))
