"""A finished diagnosis into the job that was named at its upload."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vibeorder.casebook import open_casebook, recording_body
from vibeorder.web.store import Store

__all__ = ["keep_in_job"]


def keep_in_job(casebook: Path, store: Store, name: str, arguments: Mapping[str, Any]) -> None:
    """Add every recording of a task to the job in its arguments; nothing where no job was named.

    Raises CasebookError. The job must be there: the upload page opened it.
    """
    job = arguments.get("job")
    if not isinstance(job, int):
        return
    folder = store.path(name)
    said = {
        key: arguments[key] for key in ("complaint", "phone_place", "speed", "gear") if arguments.get(key)
    }
    with open_casebook(casebook) as book:
        for number, one in enumerate(arguments["recordings"], 1):
            diagnosis = store.read_json(name, f"{number}/diagnosis.json")
            if diagnosis is None:
                continue
            body = recording_body(
                folder / str(one["file"]),
                role=str(arguments.get("role") or "before"),
                history=diagnosis.get("history", ()),
                diagnosis=diagnosis,
                inputs={**said, "result": name, "number": number},
            )
            book.add(job, "recording", {**body, "name": str(one["name"])}, datetime.now(UTC))
