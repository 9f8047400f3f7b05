"""The same tasks over a Dask cluster that runs already; its workers see the same files and the same vibeorder."""

from collections.abc import Iterator, Sequence
from importlib import import_module
from typing import Any
from uuid import uuid4

from vibeorder.batch.model import Outcome, Task
from vibeorder.batch.work import diagnose_file, failed
from vibeorder.errors import VibeorderError

__all__ = ["dask_results", "needs_distributed"]

CONNECT_S = 10
RETRIES = 3
"""How often a task is tried again when it raised; a worker's death is the scheduler's own affair."""


def needs_distributed() -> Any:
    """The module, or the sentence that says how to get it."""
    try:
        return import_module("distributed")
    except ImportError as error:
        raise VibeorderError(
            "--scheduler needs Dask, which is not installed; install it with: pip install 'vibeorder[batch]'"
        ) from error


def dask_results(tasks: Sequence[Task], address: str) -> Iterator[Outcome]:
    """The outcome of every task, once, in the order in which they are done.

    A task whose worker dies is given to another by the scheduler; one that takes several workers down is given
    up with a sentence. Closing the iterator cancels what waits.
    Raises VibeorderError where there is no scheduler at `address`.
    """
    distributed = needs_distributed()
    try:
        client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise VibeorderError(
            f"there is no Dask scheduler at {address}: {error}; check the address"
        ) from error
    run = uuid4().hex
    try:
        futures = {
            client.submit(diagnose_file, task, key=f"vibeorder-{run}-{i}", pure=False, retries=RETRIES): task
            for i, task in enumerate(tasks)
        }
        for future in distributed.as_completed(futures, loop=client.loop):
            yield _outcome(future, futures[future])
            future.release()
    finally:
        client.close()


def _outcome(future: Any, task: Task) -> Outcome:
    if future.cancelled():
        raise VibeorderError(
            "the Dask scheduler went away; what is done is kept, and the same command goes on"
        )
    error = future.exception()  # waits: what a lost worker had done is done again
    if error is None:
        outcome: Outcome = future.result()
        return outcome
    return failed(task, f"{task.source}: the cluster gave it up ({type(error).__name__}: {error})")
