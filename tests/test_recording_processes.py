"""Processes that are forked: what Ctrl-C does meanwhile."""

import subprocess
import sys

import pytest

INTERRUPTED = """
import os, signal
from vibeorder.recording.processes import forked
signal.signal(signal.SIGINT, signal.default_int_handler)
os.register_at_fork(after_in_parent=lambda: os.kill(os.getpid(), signal.SIGINT))
try:
    forked(lambda pipe: None)
except KeyboardInterrupt:
    print("heard")
else:
    print("went on")
"""
"""Ctrl-C in the middle of a fork, where whatever a hook raises is swallowed."""


@pytest.mark.skipif(sys.platform != "linux", reason="forks on Linux only")
def test_ctrl_c_in_the_middle_of_a_fork_is_heard_after_it() -> None:
    done = subprocess.run([sys.executable, "-c", INTERRUPTED], capture_output=True, text=True, timeout=60)
    assert done.stdout == "heard\n"
    assert "ignored" not in done.stderr
