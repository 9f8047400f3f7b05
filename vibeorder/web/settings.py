"""What the shop page may use and where it keeps things; every limit is named here with its reason."""

import os
import sys
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Limits", "Settings", "default_folder"]

DEFAULT_PORT = 8765
MEGABYTE = 1_000_000
MOST_WORKERS = 4
"""A child waits ready in each: measured 178 MB, 103 of them its own; a shop sends few recordings at once."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one visitor may ask of the machine.

    upload_bytes: one hour of four columns at 500 Hz as text is about 120 MB, half an hour of 44.1 kHz stereo
        WAV 320 MB; a phone's own formats are far smaller.
    form_bytes: any form without a file. files: recordings in one upload.
    decoded_s: longest recording after decoding; half an hour holds every complaint drive, and the compressed
        sound of a hostile file may decode to days.
    unpacked_bytes: what a zip may say it unpacks to, checked before anything is unpacked.
    upload_idle_s, upload_total_s: a phone on poor radio may pause, but holds its place only so long.
    task_wall_s, task_cpu_s, task_memory_bytes, task_file_bytes: of the child process that reads one upload.
        Measured: half an hour of 44.1 kHz stereo (309 MB) maps 1.0 GB of addresses, of a 500 Hz log 0.9 GB, about
        half of it libraries; JSON logs take several times their size.
    waiting, waiting_each: tasks in the queue, of all and of one visitor, before the next is asked to come back.
    kept_results, kept_days, kept_bytes: when the oldest results are thrown away.
    free_bytes: disk left to everybody else.
    """

    upload_bytes: int = 400 * MEGABYTE
    form_bytes: int = MEGABYTE
    files: int = 8
    decoded_s: float = 1800.0
    unpacked_bytes: int = 500 * MEGABYTE
    upload_idle_s: float = 60.0
    upload_total_s: float = 1800.0
    uploads_at_once: int = 8
    task_wall_s: float = 300.0
    task_cpu_s: int = 240
    task_memory_bytes: int = 3_000 * MEGABYTE
    task_file_bytes: int = 300 * MEGABYTE
    waiting: int = 40
    waiting_each: int = 12
    kept_results: int = 300
    kept_days: float = 60.0
    kept_bytes: int = 5_000 * MEGABYTE
    free_bytes: int = 500 * MEGABYTE
    vehicles: int = 500


@dataclass(frozen=True, slots=True)
class Settings:
    """How the page is served. folder: vehicles, results and the casebook, made where missing.

    lan: whether other machines may reach it (then with an access code). workers: child processes at once.
    addresses, secure_port: this machine's on the network and the port of the secure page there; 0 for none, and
    then other machines are answered on `port`.
    """

    folder: Path
    host: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    lan: bool = False
    workers: int = field(default_factory=lambda: max(1, min(MOST_WORKERS, os.cpu_count() or 1)))
    limits: Limits = field(default_factory=Limits)
    addresses: tuple[str, ...] = ()
    secure_port: int = 0


def default_folder() -> Path:
    """Where the platform keeps a program's own data of this user."""
    home = Path.home()
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "vibeorder"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "vibeorder"
    return Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share") / "vibeorder"
