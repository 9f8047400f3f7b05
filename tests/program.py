"""The command called in this process, with what it wrote on either stream: far quicker than starting a Python for it.

For tests of what is said. What belongs to the process itself (its exit, signals, streams that close) is tried on one.
"""

import contextlib
import io
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO
from unittest import mock

from vibeorder.cli import main

__all__ = ["called"]


@contextlib.contextmanager
def _into(stream: str, number: int, file: IO[bytes]) -> Iterator[None]:
    """Let `sys.<stream>` and what C libraries write to file descriptor `number` go into `file`."""
    getattr(sys, stream).flush()
    kept = os.dup(number)
    os.dup2(file.fileno(), number)
    text = io.TextIOWrapper(io.FileIO(os.dup(number), "w"), "utf-8", newline="\n", write_through=True)
    try:
        with text, mock.patch.object(sys, stream, text):
            yield
    finally:
        os.dup2(kept, number)
        os.close(kept)


def called(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """The program with these words: exit code, standard output and standard error, as of a process of its own.

    A warning is an error here as it is in every test (filterwarnings in pyproject.toml).
    """
    told = [str(word) for word in words]
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        with mock.patch.dict(os.environ), _into("stdout", 1, out), _into("stderr", 2, err):
            os.environ.pop("VIBEORDER_DEBUG", None)
            code = main(told)
        said = []
        for file in (out, err):
            file.seek(0)
            said.append(file.read().decode("utf-8"))
    return subprocess.CompletedProcess(told, code, *said)
