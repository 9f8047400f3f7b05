"""Stretches of one recording worked on side by side: in processes where a fork is safe, else one after another.

Threads bring nothing here: the work is many small steps, and only one thread at a time may take one. A forked process
finds recording and vehicle where they are in memory, so that only what came out goes through a pipe. A child that dies
(for want of memory) leaves its stretches to the parent.
"""

import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

__all__ = ["side_by_side"]

Result = TypeVar("Result")
Span = tuple[int, int]

MOST_PROCESSES = 2
"""The memory of each counts, and a diagnosis is to leave the machine usable."""


def side_by_side(work: Callable[[int, int], Result], spans: Sequence[Span]) -> Iterator[tuple[int, Result]]:
    """(i, work(first, last)) of every span, in the order in which they are done. What `work` raises is raised here.

    work must change nothing outside itself, and what it returns must be picklable.
    """
    count = min(_processes(), len(spans))
    if count < 2:
        yield from ((i, work(*span)) for i, span in enumerate(spans))
        return
    left = set(range(len(spans)))
    for i, result in _forked(work, spans, count):
        left.discard(i)
        yield i, result
    yield from ((i, work(*spans[i])) for i in sorted(left))


def _processes() -> int:
    """How many may work at once: one where this process is itself one of several, or a fork would not be safe.

    Safe it is where no other thread of Python may hold a lock; those of libraries see to themselves.
    """
    if sys.platform != "linux" or threading.active_count() > 1:
        return 1
    from multiprocessing import parent_process

    if parent_process() is not None:
        return 1
    return min(MOST_PROCESSES, len(os.sched_getaffinity(0)))


def _forked(
    work: Callable[[int, int], Result], spans: Sequence[Span], count: int
) -> Iterator[tuple[int, Result]]:
    from multiprocessing import get_context
    from multiprocessing.connection import Connection, wait

    context = get_context("fork")
    children: list[Any] = []
    pipes: list[Connection[Any, Any]] = []
    try:
        for k in range(count):
            mine, theirs = context.Pipe(duplex=False)
            child = context.Process(target=_send_each, args=(work, spans, k, count, theirs), daemon=True)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DeprecationWarning)  # of any thread, a library's own too
                child.start()
            theirs.close()
            children.append(child)
            pipes.append(mine)
        while pipes:
            for pipe in [p for p in wait(pipes) if isinstance(p, Connection)]:
                try:
                    i, result, fault = pipe.recv()
                except (EOFError, OSError):  # done, or dead
                    pipes.remove(pipe)
                    continue
                if fault is not None:
                    raise fault
                yield i, result
    finally:
        for child in children:
            child.kill()
            child.join()


def _send_each(
    work: Callable[[int, int], Any], spans: Sequence[Span], first: int, step: int, pipe: "Connection"
) -> None:
    """In the child: every step-th span. Ctrl-C is for the parent, which then ends the children."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for i in range(first, len(spans), step):
        said: tuple[int, Any, Exception | None]
        try:
            said = (i, work(*spans[i]), None)
        except Exception as fault:
            said = (i, None, fault)
        try:
            pipe.send(said)
        except OSError:  # nobody listens any more
            return
