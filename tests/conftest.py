"""What tests share: one thread for linear algebra, set before anything imports numpy, and a shop page that runs."""

import os
import signal
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    import httpx
    from web_server import Running

# several tests run at a time
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# What is compiled is kept (__pycache__), whatever the surroundings say: else every process of the tests, and every
# program that they start, compiles all of it anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# How long one example takes says how busy the machine is, and nothing of the program.
settings.register_profile("busy machine", deadline=None)
settings.load_profile("busy machine")


def pytest_configure(config: pytest.Config) -> None:
    """A worker is itself one of several: its diagnoses fork no further ones, which would only take turns with it.

    Without this it depends on threads that an earlier test left behind. Tests of the forking ask for it.
    Of tests run in the background, whose shell has them not hear Ctrl-C, the programs that they start would not either.
    """
    signal.signal(signal.SIGINT, signal.default_int_handler)
    if hasattr(config, "workerinput"):
        from vibeorder.recording import ahead, processes

        processes.at_once = lambda: 1
        vars(ahead)["at_once"] = processes.at_once  # its own name for it, bound by now


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> "Iterator[Running]":
    """A shop page on loopback, with nothing in it yet."""
    from web_server import running

    with running(tmp_path_factory.mktemp("shop")) as one:
        yield one


@pytest.fixture(scope="module")
def client(server: "Running") -> "Iterator[httpx.Client]":
    """A visitor of that page."""
    import httpx
    from patience import PATIENCE_S

    with httpx.Client(base_url=server.url, timeout=PATIENCE_S) as one:
        yield one
