"""A finished diagnosis into the job that was named at its upload."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vibeorder.casebook import JobLine, open_casebook, recording_body, together_part
from vibeorder.web.queue import KEPT_FILE
from vibeorder.web.store import Store
from vibeorder.web.tasks.diagnose import TOGETHER
from vibeorder.web.vehicles import toml_text

__all__ = ["keep_in_job", "now", "open_jobs"]

SAID = ("complaint", "phone_place", "speed", "gear")


def now() -> datetime:
    """The clock of the casebook's pages: UTC."""
    return datetime.now(UTC)


def keep_in_job(casebook: Path, store: Store, name: str, arguments: Mapping[str, Any]) -> None:
    """Add every recording of a task to the job in its arguments, opening one for "new"; nothing for None.

    An entry's inputs hold what was said of the drive, and "result" and "number": where its pages are.
    Raises CasebookError.
    """
    wanted = arguments.get("job")
    if wanted is None:
        return
    at, folder = now(), store.path(name)
    said = {key: arguments[key] for key in SAID if arguments.get(key)}
    together = _together(store, name)
    with open_casebook(casebook, create=True) as book:
        if wanted == "new":
            profile = toml_text(arguments["vehicle"])
            wanted = book.add_job(arguments["complaint"], arguments["vehicle_name"], profile, at)
        for number, one in enumerate(arguments["recordings"], 1):
            diagnosis = store.read_json(name, f"{number}/diagnosis.json")
            if isinstance(diagnosis, dict):
                body = recording_body(
                    folder / one["file"], role=arguments["role"], history=diagnosis.get("history") or (),
                    diagnosis=diagnosis, inputs={**said, "result": name, "number": number},
                )  # fmt: skip
                book.add(int(wanted), "recording", {**body, "name": one["name"], **together}, at)
    store.write_json(name, KEPT_FILE, {"job": int(wanted)})


def _together(store: Store, name: str) -> dict[str, Any]:
    """What all recordings of a task say as one, for the entry of each; empty where there is only one."""
    whole = store.read_json(name, f"{TOGETHER}/diagnosis.json")
    return together_part(whole) if isinstance(whole, dict) else {}


def open_jobs(casebook: Path) -> tuple[JobLine, ...]:
    """Jobs that can still be written to, newest first; none where there is no casebook."""
    if not casebook.exists():
        return ()
    with open_casebook(casebook) as book:
        return tuple(job for job in book.jobs() if not job.closed)
