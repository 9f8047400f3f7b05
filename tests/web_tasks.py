"""Tasks that misbehave, run by the queue's child processes in tests."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from vibeorder.errors import VibeorderError

Progress = Callable[[str, float], None]


def fine(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    progress("half", 0.5)
    (folder / "out.txt").write_text(str(arguments.get("say", "")), "utf-8")


def turn(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    with Path(arguments["log"]).open("a", encoding="utf-8") as log:
        log.write(arguments["say"] + "\n")
    time.sleep(0.05)


def hang(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
    (folder / "grandchild").write_text(str(child.pid), "utf-8")
    progress("hanging", 0.1)
    time.sleep(600)


def burn(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    while True:
        pass


def hog(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    # taken, which is what is limited, and never written to, which would keep a processor and real memory busy
    held = [bytes(50_000_000) for _ in range(200)]
    (folder / "held").write_text(str(len(held)), "utf-8")


def crash(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def flood(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    with (folder / "flood").open("wb") as file:
        while True:
            file.write(b"\0" * 1_000_000)


def mistake(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    raise VibeorderError("the wrong column was named")


def fault(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    raise ZeroDivisionError("a secret")


def chatter(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    print('{"done": true}')
    os.write(1, b'{"error": "not ours"}\n' * 10_000)
    os.write(2, b"noise" * 100_000)
    progress("x" * 100_000, 5.0)
    (folder / "out.txt").write_text("through", "utf-8")
