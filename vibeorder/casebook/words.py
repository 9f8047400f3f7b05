"""A job in words."""

from collections.abc import Sequence
from typing import Any

from vibeorder.casebook.model import Entry, Job, JobLine
from vibeorder.casebook.shape import readable

__all__ = ["job_list", "job_text"]

NAMES = {"intake": "the customer said", "checked": "what costs nothing"}
"""Kinds of entries whose name says too little."""


def job_list(lines: Sequence[JobLine]) -> str:
    """One line a job, newest first."""
    if not lines:
        return "No job yet; vibeorder job new opens one."
    rows = [
        (
            str(j.number),
            "closed" if j.closed else "open",
            j.opened_at[:10],
            j.vehicle_name or "-",
            j.complaint,
        )
        for j in lines
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    return "\n".join(
        "  ".join([row[0].rjust(widths[0]), *(row[i].ljust(widths[i]) for i in (1, 2, 3)), _one_line(row[4])])
        for row in rows
    )


def job_text(job: Job) -> str:
    """The whole job: complaint, vehicle, and what happened, in order."""
    state = "closed" if job.closed else "open"
    vehicle = f", {job.vehicle_name}" if job.vehicle_name else ""
    head = [
        f"Job {job.number} ({state}){vehicle}: {_one_line(job.complaint)}",
        f"  {_when(job.opened_at)}  opened",
    ]
    return "\n".join([*head, *(f"  {_when(e.added_at)}  {_entry(e)}" for e in readable(job).entries)])


def _when(stamp: str) -> str:
    """Day and minute, as one reads them."""
    return stamp[:16].replace("T", " ")


def _entry(entry: Entry) -> str:
    body = entry.body
    if entry.kind == "recording":
        return _recording(body)
    if entry.kind == "reading":
        return f"{body.get('command', 'reading')}: {_said(body)}"
    if entry.kind == "comparison":
        names = [str((body.get(role) or {}).get("name", "?")) for role in ("before", "after")]
        return f"{names[0]} against {names[1]}: {_said(body) or 'its result cannot be read'}"
    text = _one_line(str(body.get("text", "")))
    name = NAMES.get(entry.kind, entry.kind)
    return f"{name}: {text}" if text else name


def _recording(body: Any) -> str:
    verdict = (body.get("diagnosis") or {}).get("verdict")
    kept = ", kept whole" if body.get("kept") else ""
    when = f"recording {body.get('role', 'before')} the repair"
    said = f": {_one_line(str(verdict))}" if verdict else ", not diagnosed"
    joint = (body.get("together") or {}).get("verdict")
    also = f" {_one_line(str(joint))}" if joint else ""
    return f"{when}, {body.get('name', '?')}{kept}{said}{also}"


def _said(body: Any) -> str:
    return _one_line(str((body.get("result") or {}).get("sentence", "")))


def _one_line(text: str) -> str:
    return " ".join(text.split())
