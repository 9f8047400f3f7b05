"""The child process: limits itself, reads one order, runs it, says how far it is, ends.

Standard output carries JSON lines only: {"what", "share"} while it works, then {"done": true} or {"error"}.
"""

import errno
import json
import os
import sys
import traceback
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any, TextIO

from vibeorder.errors import VibeorderError

__all__ = ["main"]

# Imported before the order comes; what is missing here costs its import time later, nothing else.
AHEAD = ("numpy", "scipy.signal", "soundfile", "pandas", "vibeorder.diagnosis", "vibeorder.recording",
         "vibeorder.vehicle", "vibeorder.report", "vibeorder.web.tasks.diagnose")  # fmt: skip
OPEN_FILES = 128
FAULT_FILE = "fault.txt"


def main(arguments: list[str]) -> int:
    """Serve one order. arguments: memory in bytes, CPU seconds, largest file in bytes."""
    out = _take_stdout()
    for name in AHEAD:
        import_module(name)
    memory_bytes, cpu_s, file_bytes = (int(text) for text in arguments)
    limit(memory_bytes, cpu_s, file_bytes)
    line = sys.stdin.readline()
    if not line:
        return 0
    _say(out, **serve(json.loads(line), out))
    return 0


def serve(order: dict[str, Any], out: TextIO) -> dict[str, Any]:
    """Run an order: what to say at its end."""
    module, _, function = str(order["target"]).partition(":")
    folder = Path(order["folder"])

    def progress(what: str, share: float) -> None:
        _say(out, what=what, share=share)

    try:
        getattr(import_module(module), function)(folder, order["arguments"], progress)
    except VibeorderError as error:
        return {"error": " ".join(str(error).split())}
    except MemoryError:
        return {"error": "this needs more memory than one recording may use; cut it to the drive that shakes"}
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            return _our_fault(folder, error)
        return {
            "error": "there is no room on the disk for what this recording makes; make room and send it again"
        }
    except Exception as fault:
        return _our_fault(folder, fault)
    return {"done": True}


def _our_fault(folder: Path, fault: Exception) -> dict[str, Any]:
    """The sentence for a fault of ours; its details go into a file beside the recording."""
    with suppress(OSError):
        (folder / FAULT_FILE).write_text("".join(traceback.format_exception(fault))[-20000:], "utf-8")
    kind = type(fault).__name__
    return {"error": f"this is a fault in vibeorder, not in your file ({kind}); {FAULT_FILE} has the details"}


def limit(memory_bytes: int, cpu_s: int, file_bytes: int) -> None:
    """Bound this process for good: addresses, CPU time, size and number of files, no core dump."""
    try:
        import resource
    except ImportError:  # no such thing on Windows; the time limit of the parent remains
        return
    used_s = int(sum(os.times()[:2])) + 1
    for what, soft, hard in (
        (resource.RLIMIT_AS, memory_bytes, memory_bytes),
        # at the soft limit SIGXCPU, which says why it ended; at the hard one SIGKILL
        (resource.RLIMIT_CPU, used_s + cpu_s, used_s + cpu_s + 5),
        (resource.RLIMIT_FSIZE, file_bytes, file_bytes),
        (resource.RLIMIT_NOFILE, OPEN_FILES, OPEN_FILES),
        (resource.RLIMIT_CORE, 0, 0),
    ):
        try:
            resource.setrlimit(what, (soft, hard))
        except (ValueError, OSError):  # a lower limit is in force already, or the platform has none
            continue


def _take_stdout() -> TextIO:
    """Our own line to the parent; whatever a library prints goes nowhere."""
    own = os.fdopen(os.dup(1), "w", encoding="utf-8")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return own


def _say(out: TextIO, **said: Any) -> None:
    out.write(json.dumps(said) + "\n")
    out.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
