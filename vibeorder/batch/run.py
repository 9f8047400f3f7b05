"""Tasks worked off by processes on this machine, one recording each at a time; one that dies takes no other along."""

import os
import signal
import sys
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import get_context, resource_tracker
from multiprocessing.connection import Connection, wait
from typing import Any

from vibeorder.batch.model import Outcome, Task
from vibeorder.batch.work import diagnose_file, failed
from vibeorder.recording.processes import crashed

__all__ = ["local_results", "usable_cores"]

LIVES = 2
"""How often a recording may take its process down with it before it is given up: the first time it may have been
somebody else's memory."""

DIED = (
    "{source}: the process that worked on it ended twice (exit code {code}), perhaps for want of memory; "
    "cut the recording shorter, or use fewer processes"
)
CRASHED = (
    "{source}: it crashed the process that worked on it twice (exit code {code}): the file is damaged, or of a kind "
    "that its decoder cannot take; copy it again, or save it as WAV or CSV"
)


def usable_cores() -> int:
    """Cores that this process may use."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def local_results(tasks: Sequence[Task], processes: int) -> Iterator[Outcome]:
    """The outcome of every task, once, in the order in which they are done.

    Closing the iterator ends the processes at once.
    """
    waiting = deque(tasks)
    deaths: Counter[str] = Counter()
    crew = [_hire() for _ in range(min(processes, len(tasks)))]
    try:
        for hand in crew:
            hand.take(waiting)
        while busy := {hand.pipe: hand for hand in crew if hand.task is not None}:
            for pipe in wait(list(busy)):
                hand = busy[pipe]  # type: ignore[index]  # wait returns what it was given
                task, outcome = hand.task, hand.collect()
                assert task is not None
                if outcome is None:
                    code = hand.end()
                    crew[crew.index(hand)] = hand = _hire()
                    deaths[task.source] += 1
                    if deaths[task.source] < LIVES:
                        waiting.append(task)
                    else:
                        why = CRASHED if crashed(code) else DIED
                        outcome = failed(task, why.format(source=task.source, code=code))
                hand.take(waiting)
                if outcome is not None:
                    yield outcome
    finally:
        for hand in crew:
            hand.end()


@dataclass(slots=True)
class _Hand:
    """One process and the end of the pipe to it; task: what it has in work."""

    process: Any
    pipe: Connection
    task: Task | None = None

    def take(self, waiting: deque[Task]) -> None:
        """Hand it the next task, if there is one. One that died in between is noticed on collecting."""
        self.task = waiting.popleft() if waiting else None
        if self.task is not None:
            try:
                self.pipe.send(self.task)
            except OSError:
                return

    def collect(self) -> Outcome | None:
        """What it sent; None where it died instead."""
        self.task = None
        try:
            outcome: Outcome = self.pipe.recv()
        except (EOFError, OSError):
            return None
        return outcome

    def end(self) -> int | None:
        """End the process, whatever it does; its exit code."""
        self.process.kill()
        self.process.join()
        self.pipe.close()
        code: int | None = self.process.exitcode
        return code


def _hire() -> _Hand:
    context = get_context("spawn")  # threads and libraries do not survive a fork
    ours, theirs = context.Pipe()
    process = context.Process(target=_work, args=(theirs,), daemon=True)
    # one thread of linear algebra each, said before the child loads it
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    blocked = sys.platform != "win32"
    if blocked:  # Ctrl-C is for the parent, which then ends the children; the mask is inherited
        resource_tracker.ensure_running()  # else started within, which would lift the mask
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        process.start()
    finally:
        if blocked:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
    theirs.close()
    return _Hand(process, ours)


def _work(pipe: Connection) -> None:
    """A child's life: tasks come, outcomes go, until the parent is gone."""
    while True:
        try:
            pipe.send(diagnose_file(pipe.recv()))
        except (EOFError, OSError):
            return
