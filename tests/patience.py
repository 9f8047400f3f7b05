"""How long tests wait for what must come: long enough for a machine on which ten times as much runs.

A test that waits for a condition ends as soon as it holds, so that a long limit costs nothing until one is broken.
"""

import time
from collections.abc import Callable

__all__ = ["PATIENCE_MS", "PATIENCE_S", "await_that"]

PATIENCE_S = 300.0
PATIENCE_MS = 1000.0 * PATIENCE_S


def await_that(holds: Callable[[], object], what: object = "") -> None:
    """Wait until it holds; fail, saying what did not come, where it does not within our patience."""
    until = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < until, what or "what was waited for did not come"
        time.sleep(0.02)
