"""Stretches of one recording worked on side by side: in processes where a fork is safe, else one after another.

Threads bring nothing here: the work is many small steps, and only one thread at a time may take one. A child that dies
(for want of memory) leaves its stretches to the parent.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from vibeorder.recording.processes import at_once, forked

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

__all__ = ["shares", "side_by_side"]

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
    if len(spans) == count + 1:
        count += 1  # all at once, or one processor would stand idle while the last is worked on
    left = set(range(len(spans)))
    for i, result in _forked(work, spans, count):
        left.discard(i)
        yield i, result
    yield from ((i, work(*spans[i])) for i in sorted(left))


def shares(count: int) -> list[Span]:
    """`count` things shared out among as many processes as there may be: (first, step) for each, all of them once."""
    step = max(1, min(_processes(), count))
    return [(first, step) for first in range(step)]


def _processes() -> int:
    return min(MOST_PROCESSES, at_once())


def _forked(
    work: Callable[[int, int], Result], spans: Sequence[Span], count: int
) -> Iterator[tuple[int, Result]]:
    from multiprocessing.connection import Connection, wait

    children: list[Any] = []
    pipes: list[Connection[Any, Any]] = []
    try:
        for k in range(count):
            child, pipe = forked(_send_each, work, spans, k, count)
            children.append(child)
            pipes.append(pipe)
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
    """In the child: every step-th span."""
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
