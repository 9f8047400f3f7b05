"""Children of the shop page's queue for tests: forked from one process that has imported everything.

Starting a Python and importing takes a second of a processor for each child, and a page starts one more than it has
tasks. What a child does from there on is the product's (`vibeorder.web.worker.main`), limits and all. That the real
ones start, end and are ended is what tests/test_web_queue.py looks at.
"""

import multiprocessing
import os
import subprocess
import sys
from functools import cache
from multiprocessing import forkserver
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkServerContext, ForkServerProcess
from threading import Lock
from typing import cast

from vibeorder.web import worker
from vibeorder.web.settings import Limits

__all__ = ["forked_child", "warmed"]

TASKS = tuple(f"vibeorder.web.tasks.{kind}" for kind in ("compare", "diagnose", "lesson", "plan"))


class Child:
    """As much of subprocess.Popen as the queue uses."""

    def __init__(self, process: ForkServerProcess, order: Connection, said: Connection) -> None:
        self._process, self.pid = process, process.pid
        self._lock = Lock()  # its exit code is read from a pipe, by one thread at a time
        self.stdin = os.fdopen(os.dup(order.fileno()), "wb")
        self.stdout = os.fdopen(os.dup(said.fileno()), "rb")
        order.close()
        said.close()

    @property
    def returncode(self) -> int | None:
        """None while it runs."""
        with self._lock:
            return self._process.exitcode

    def poll(self) -> int | None:
        """None while it runs."""
        return self.returncode

    def wait(self) -> int | None:
        """Until it has ended."""
        wait([self._process.sentinel])
        return self.returncode

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()


@cache
def _context() -> ForkServerContext:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__, *worker.AHEAD, *TASKS])
    return context


def warmed() -> None:
    """Start the one process that they are forked from, unless it runs."""
    _context()
    forkserver.ensure_running()


def forked_child(limits: Limits) -> "subprocess.Popen[bytes]":
    """What `vibeorder.web.queue.start_child` gives, sooner."""
    order, mine = _context().Pipe(duplex=False)
    theirs, said = _context().Pipe(duplex=False)
    words = [str(limits.task_memory_bytes), str(limits.task_cpu_s), str(limits.task_file_bytes)]
    process = _context().Process(target=_live, args=(words, dict(os.environ), order, said))
    process.start()
    order.close()
    said.close()
    return cast("subprocess.Popen[bytes]", Child(process, mine, theirs))


def _live(words: list[str], environment: dict[str, str], order: Connection, said: Connection) -> None:
    """In the child: its streams and its session as the product's child has them, and its life."""
    os.setsid()
    os.environ.clear()
    os.environ.update(environment)
    for number, pipe in ((0, order), (1, said)):
        os.dup2(pipe.fileno(), number)
        pipe.close()
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115  # as long as the process
    os._exit(worker.main(words))
