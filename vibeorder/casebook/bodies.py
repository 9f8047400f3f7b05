"""What an entry says: recordings with their fingerprint and diagnosis, bench readings, comparisons."""

import hashlib
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from vibeorder.casebook.model import Job
from vibeorder.casebook.shape import misshapen, readable
from vibeorder.casebook.trouble import CasebookError

__all__ = [
    "ROLES",
    "comparison_body",
    "digest_of",
    "last_comparison",
    "reading_body",
    "recording_body",
    "runout_on_record",
    "runouts_within_limits",
    "together_part",
]

ROLES = ("before", "after")
CHUNK = 1 << 20
COMPARE = "compare"
JOINT = (
    "verdict",
    "suspects",
    "nothing_found_probability",
    "runout_check",
    "next_drive",
    "next_drive_reason",
)


def digest_of(path: Path) -> tuple[str, int]:
    """SHA-256 (FIPS 180-4) of a recording in hexadecimal, and its size in bytes.

    Of a folder: of the names and contents of its files, in the order of their names.
    """
    if path.is_char_device():  # some never end
        raise CasebookError(f"{path} is a device; give a recording's file")
    digest, size = hashlib.sha256(), 0
    try:
        for file in sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]:
            if path.is_dir():
                digest.update(os.fsencode(file.relative_to(path).as_posix()) + b"\0")
            with file.open("rb") as open_file:
                while part := open_file.read(CHUNK):
                    digest.update(part)
                    size += len(part)
    except OSError as error:
        raise CasebookError(f"{path} cannot be read: {error.strerror or error}") from error
    return digest.hexdigest(), size


def recording_body(
    path: Path,
    *,
    role: str = "before",
    history: Sequence[str] = (),
    diagnosis: Mapping[str, Any] | None = None,
    inputs: Mapping[str, Any] | None = None,
    kept: bool = False,
) -> dict[str, Any]:
    """A recording: its name (not where it lay), fingerprint, history, and the diagnosis as JSON, where made.

    role: "before" or "after" the repair. kept: whether the casebook holds the file itself.
    """
    if role not in ROLES:
        raise CasebookError(f"a recording is made {' or '.join(ROLES)} the repair, not {role!r}")
    sha256, size = digest_of(path)
    return {
        "name": path.name or path.absolute().name,
        "sha256": sha256,
        "bytes": size,
        "role": role,
        "history": list(history),
        "inputs": dict(inputs or {}),
        "diagnosis": diagnosis,
        "kept": kept,
    }


def together_part(whole: Mapping[str, Any]) -> dict[str, Any]:
    """What goes into the entry of each of several recordings that were judged as one: what they say together.

    whole: the joint diagnosis as JSON. The next step of a job rests on this, not on the last recording alone.
    """
    return {"together": {key: whole.get(key) for key in JOINT}}


def reading_body(result: Mapping[str, Any], inputs: Mapping[str, Any]) -> dict[str, Any]:
    """A bench result (the JSON of `vibeorder bench`) with what was typed for it."""
    command = result.get("command")
    if not isinstance(command, str) or not isinstance(result.get("sentence"), str):
        raise CasebookError(
            "this is not a bench result: it has no command and no sentence; take what --json wrote"
        )
    if command == COMPARE:
        raise CasebookError(
            "this is a comparison of two drives, not a bench result; vibeorder compare BEFORE AFTER --job N keeps one"
        )
    if wrong := misshapen("reading", {"result": result}):
        raise CasebookError(f"this bench result cannot be kept: {wrong}; take what --json wrote")
    return {"command": command, "inputs": dict(inputs), "result": dict(result)}


def comparison_body(
    result: Mapping[str, Any], before: Path, after: Path, inputs: Mapping[str, Any]
) -> dict[str, Any]:
    """A comparison (the JSON of `vibeorder compare`) with the fingerprints of both recordings."""
    named = {
        role: {"name": p.name, "sha256": digest_of(p)[0]}
        for role, p in (("before", before), ("after", after))
    }
    return {**named, "inputs": dict(inputs), "result": dict(result)}


def runout_on_record(job: Job) -> dict[str, str]:
    """The last verdict on each place where runout was read: place -> "within", "over", ..."""
    found: dict[str, str] = {}
    for entry in readable(job).of_kind("reading"):
        result = entry.body.get("result", {}).get("result")
        if entry.body.get("command") != "runout" or not isinstance(result, Mapping):
            continue
        place = result.get("place")
        label = place.get("label") if isinstance(place, Mapping) else None
        found[str(label or "place not named")] = str(result.get("verdict", "no limit"))
    return found


def last_comparison(job: Job) -> str | None:
    """The verdict of the last comparison: None where there is none, '' where it has none that can be read."""
    compared = readable(job).of_kind("comparison")
    return str(compared[-1].body.get("result", {}).get("verdict", "")) if compared else None


def runouts_within_limits(job: Job) -> bool:
    """Whether runout was read and the last reading of every place is within its limit."""
    verdicts = runout_on_record(job).values()
    return bool(verdicts) and all(verdict == "within" for verdict in verdicts)
