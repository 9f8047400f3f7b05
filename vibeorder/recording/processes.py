"""Processes that work for this one: where a fork is safe, and how one is begun.

A forked process finds everything where it is in memory, so that only what came out goes through a pipe.
"""

import gc
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

__all__ = ["at_once", "crashed", "forked"]

_FAULTS = {getattr(signal, name, None) for name in ("SIGSEGV", "SIGBUS", "SIGILL", "SIGFPE", "SIGABRT")} - {
    None
}
_WINDOWS_FAULT = 0xC0000000


def at_once() -> int:
    """How many may work at once: one where this process is itself one of several, or a fork would not be safe.

    Safe it is where no other thread of Python may hold a lock; those of libraries see to themselves.
    """
    if sys.platform != "linux" or threading.active_count() > 1:
        return 1
    from multiprocessing import parent_process

    return 1 if parent_process() is not None else len(os.sched_getaffinity(0))


def crashed(code: int | None) -> bool:
    """Whether an exit code of a process tells a fault of machine code, a decoder's, say, and not that it was killed.

    >>> crashed(-11), crashed(-9), crashed(1)
    (True, False, False)
    """
    return code is not None and (-code in _FAULTS or code >= _WINDOWS_FAULT)


def forked(work: Callable[..., None], *arguments: Any) -> "tuple[Any, Connection[Any, Any]]":
    """A process that runs work(*arguments, pipe), and the end of the pipe from which to receive."""
    from multiprocessing import get_context

    context = get_context("fork")
    mine, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_undisturbed, args=(work, *arguments, theirs), daemon=True)
    with warnings.catch_warnings(), _interrupts_held():
        warnings.simplefilter("ignore", DeprecationWarning)  # of any thread, a library's own too
        child.start()
    theirs.close()
    return child, mine


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Ctrl-C waits until the fork is over: what is raised within it is swallowed, and all would go on as if nothing had
    been said."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _undisturbed(work: Callable[..., None], *arguments: Any) -> None:
    """In the child. Ctrl-C is for the parent, which then ends the children."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.freeze()  # what the parent had is not looked through for garbage, nor is its memory copied for that
    work(*arguments)
