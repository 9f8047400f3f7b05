"""Jobs as every page needs them: which one, of which vehicle, and a reading put into it."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from vibeorder.casebook import Job, comparison_body, open_casebook, reading_body
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import Vehicle, parse_vehicle
from vibeorder.web.jobs_kept import now
from vibeorder.web.queue import KEPT_FILE
from vibeorder.web.store import NotThereError, Store
from vibeorder.web.tasks.compare import COMPARISON_FILE

__all__ = ["job_of", "job_of_result", "keep_comparison", "keep_reading", "now", "vehicle_of"]


def job_of(casebook: Path, text: str) -> Job | None:
    """The job whose number was typed; None for none. Raises VibeorderError where there is no such job."""
    if not text:
        return None
    if not (text.isascii() and text.isdigit()) or not casebook.exists():
        raise NotThereError(f"there is no job {text[:20]!r}; choose one from the list")
    number = int(text[:18])
    with open_casebook(casebook) as book:
        if number not in (line.number for line in book.jobs()):
            raise NotThereError(f"there is no job {number}; choose one from the list")
        return book.job(number)


def job_of_result(store: Store, name: str) -> str:
    """The number of the job that an upload was kept in, '' where it is in none."""
    try:
        kept = store.read_json(name, KEPT_FILE)
    except VibeorderError:
        return ""
    return str(kept["job"]) if isinstance(kept, dict) and isinstance(kept.get("job"), int) else ""


def vehicle_of(job: Job | None) -> Vehicle | None:
    """The vehicle as it was when the job was opened; None where it has none that can be read."""
    if job is None or not job.vehicle_text:
        return None
    try:
        return parse_vehicle(tomllib.loads(job.vehicle_text), f"the vehicle of job {job.number}")
    except (VibeorderError, tomllib.TOMLDecodeError):
        return None


def keep_reading(casebook: Path, job: Job, content: Mapping[str, Any], inputs: Mapping[str, Any]) -> bool:
    """Put a bench result into a job; False where the very same is its last entry already."""
    body = reading_body(content, inputs)
    with open_casebook(casebook) as book:
        entries = book.job(job.number).entries
        last = entries[-1].body if entries and entries[-1].kind == "reading" else {}
        if last.get("command") == body["command"] and last.get("inputs") == body["inputs"]:
            return False
        book.add(job.number, "reading", body, now())
    return True


def keep_comparison(casebook: Path, store: Store, name: str, arguments: Mapping[str, Any]) -> None:
    """Put a finished comparison into the job that it was asked for in. Raises CasebookError."""
    content, folder = store.read_json(name, COMPARISON_FILE), store.path(name)
    if not isinstance(content, dict):
        return
    before, after = (arguments[role] for role in ("before", "after"))
    inputs = {key: arguments[key] for key in ("part", "order") if arguments.get(key)}
    inputs |= {"speed_unit": content["speed_unit"], "result": name}
    body = comparison_body(content["result"], folder / before["file"], folder / after["file"], inputs)
    for role, one in (("before", before), ("after", after)):
        body[role]["name"] = one["name"]
    with open_casebook(casebook) as book:
        book.add(int(arguments["job"]), "comparison", body, now())
