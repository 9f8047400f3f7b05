"""What is done with one recording, in whatever process: read, diagnosed, made into a row; never raises."""

import hashlib
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibeorder import __version__
from vibeorder.batch.model import Outcome, Print, Task
from vibeorder.batch.said import check_said, read_options
from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
    from vibeorder.diagnosis import Diagnosis

__all__ = [
    "SUSPECT_KEPT",
    "diagnose_file",
    "failed",
    "fingerprint",
    "is_current",
    "options_digest",
]

CHANGED = "it changed while it was read; is it still being recorded? Run this again when it is complete"


def diagnose_file(task: Task) -> Outcome:
    """Diagnose one recording. Whatever goes wrong is the outcome's error, so that the others go on."""
    began = time.perf_counter()
    made = replace(failed(task, ""), options=options_digest(task))
    try:
        if task.trouble:
            raise VibeorderError(task.trouble)
        first = fingerprint(Path(task.path))
        result = _diagnosed(task)
        if _stat(Path(task.path)) != (first.size, first.mtime_ns):
            raise VibeorderError(f"{task.source}: {CHANGED}")
        made = replace(made, print=first, result=result, vehicle=str(result["vehicle"]))
    except VibeorderError as error:
        made = replace(made, error=" ".join(str(error).split()))
    except MemoryError:
        made = replace(made, error=f"{task.source}: there is not enough free memory; use fewer processes")
    except Exception as fault:
        kind = type(fault).__name__
        made = replace(
            made, error=f"a fault in vibeorder, not in this file ({kind}: {fault}); please report it"
        )
    return replace(made, seconds=round(time.perf_counter() - began, 3))


def failed(task: Task, error: str) -> Outcome:
    """The outcome of a task that came to nothing."""
    return Outcome(task.source, None, "", Path(task.vehicle).name, 0.0, None, error)


def is_current(task: Task, outcome: Outcome) -> bool:
    """Whether a kept outcome still holds: the file, its vehicle and what is said of it are what they were.

    What ended in an error is never current: it is tried again.
    """
    if outcome.error or outcome.print is None or task.trouble or outcome.options != options_digest(task):
        return False
    path = Path(task.path)
    try:
        if _stat(path) != (outcome.print.size, outcome.print.mtime_ns):
            return False
        return fingerprint(path) == outcome.print
    except (OSError, VibeorderError):
        return False


def fingerprint(path: Path) -> Print:
    """Size, time and content. Raises VibeorderError where the file cannot be read."""
    from vibeorder.casebook import digest_of

    try:
        size, mtime_ns = _stat(path)
    except OSError as error:
        raise VibeorderError(f"{path} cannot be read: {error.strerror or error}") from error
    return Print(size, mtime_ns, digest_of(path)[0])


def options_digest(task: Task) -> str:
    """SHA-256 over the program's version, the profile, the speed log and what is said."""
    digest = hashlib.sha256(f"{__version__}\n{task.said.as_text()}\n".encode())
    for name in (task.vehicle, task.said.speed_log):
        try:
            digest.update(Path(name).read_bytes() if name else b"-")
        except OSError:
            digest.update(b"unreadable")
        digest.update(b"\0")
    return digest.hexdigest()


def _stat(path: Path) -> tuple[int, int]:
    """Bytes and latest change, over all files of a folder."""
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    stats = [file.stat() for file in files]
    return sum(s.st_size for s in stats), max((s.st_mtime_ns for s in stats), default=0)


def _diagnosed(task: Task) -> dict[str, Any]:
    """The contract's object without what no table shows: a thousand recordings are held at once."""
    from vibeorder.report import as_dict

    found: dict[str, Any] = as_dict(_diagnosis(task))
    kept = {name: found[name] for name in KEPT}
    kept["recording"] = {name: found["recording"].get(name) for name in ("kind", "duration_s", "rate_hz")}
    kept["speed"] = {name: found["speed"][name] for name in ("source", "median_mps", "gear", "unit")}
    kept["suspects"] = [{name: one[name] for name in SUSPECT_KEPT} for one in found["suspects"]]
    return kept


KEPT = ("verdict", "vehicle", "nothing_found_probability", "unexplained", "runout_check", "next_drive")
SUSPECT_KEPT = (
    "part",
    "order",
    "label",
    "probability",
    "frequency_hz",
    "frequency_se_hz",
    "expected_hz",
    "amplitude",
    "amplitude_rms",
    "unit",
    "snr_db",
    "folded",
    "healthy",
    "indistinct_from",
    "first_check",
)


def _diagnosis(task: Task) -> "Diagnosis":
    from vibeorder.diagnosis import DriveTold, judged_file
    from vibeorder.speed.told import told_speed
    from vibeorder.units import parse_time
    from vibeorder.vehicle import load_vehicle

    said = task.said
    check_said(said)
    car = load_vehicle(Path(task.vehicle))
    log = None if said.speed_log is None else Path(said.speed_log)
    given = told_speed(said.speed, log, said.speed_column, said.speed_unit)
    late_s = None if said.log_late is None else parse_time(said.log_late).si
    told = DriveTold(car, given, said.gear, bool(said.low_range), late_s, read_options(said))
    return judged_file(Path(task.path), told, lambda stage, share: None)
