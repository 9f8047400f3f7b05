"""A job taken elsewhere: one JSON file, or a folder of JSON and files, and back again without loss."""

import base64
import binascii
import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from vibeorder.casebook.model import KINDS, Entry, Job
from vibeorder.casebook.plain import plain
from vibeorder.casebook.shape import misshapen, trouble_in
from vibeorder.casebook.trouble import CasebookError

__all__ = ["FORMAT", "as_dict", "as_files", "as_json", "read_export"]

FORMAT, SCHEMA = "vibeorder job", 1
JOB_FILE, VEHICLE_FILE, KEPT_FOLDER = "job.json", "vehicle.toml", "recordings"
_UID = re.compile(r"[0-9a-f]{32}")
_SHA256 = re.compile(r"[0-9a-f]{64}")


def as_dict(job: Job) -> dict[str, Any]:
    """Everything but the kept recordings, as plain values; the number belongs to one casebook only."""
    return {
        "format": FORMAT,
        "schema": SCHEMA,
        "uid": job.uid,
        "opened_at": job.opened_at,
        "complaint": job.complaint,
        "vehicle_name": job.vehicle_name,
        "vehicle_profile": job.vehicle_text,
        "entries": [{"kind": e.kind, "added_at": e.added_at, "body": plain(e.body)} for e in job.entries],
    }


def as_json(job: Job, files: Mapping[str, bytes]) -> str:
    """The job as one JSON text; kept recordings (sha256 -> content) in base64 (RFC 4648)."""
    kept = {sha256: base64.b64encode(content).decode() for sha256, content in files.items()}
    return json.dumps(as_dict(job) | {"files": kept}, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def as_files(job: Job, files: Mapping[str, bytes]) -> dict[str, bytes]:
    """The job as files to write: path within the folder -> content."""
    out = {
        JOB_FILE: (json.dumps(as_dict(job), indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()
    }
    if job.vehicle_text:
        out[VEHICLE_FILE] = job.vehicle_text.encode()
    for entry in job.of_kind("recording"):
        sha256 = str(entry.body.get("sha256"))
        if sha256 in files:
            safe = re.sub(r"[^A-Za-z0-9._-]", "_", str(entry.body.get("name", "")))[-80:]
            out[f"{KEPT_FOLDER}/{sha256[:12]}-{safe}"] = files[sha256]
    return out


def read_export(path: Path) -> tuple[Job, dict[str, bytes]]:
    """A job (number 0) and its kept recordings from what `job export` wrote.

    Raises CasebookError where it is not that, or damaged.
    """
    if path.is_char_device():  # some never end
        raise CasebookError(f"{path} is a device; give what job export wrote")
    try:
        text = (path / JOB_FILE if path.is_dir() else path).read_text("utf-8")
        kept = (
            {p.name: p.read_bytes() for p in (path / KEPT_FOLDER).glob("*") if p.is_file()}
            if path.is_dir()
            else {}
        )
    except UnicodeDecodeError:
        raise CasebookError(
            f"{path} is not a job: it is not a text file; give what job export wrote"
        ) from None
    except OSError as error:
        raise CasebookError(f"{path} cannot be read: {error.strerror or error}") from error
    data = _parsed(path, text)
    job = _job(path, data)
    files = {_sha256(content): content for content in kept.values()} | _embedded(path, data)
    wanted = {
        str(e.body.get("sha256")): str(e.body.get("name"))
        for e in job.of_kind("recording")
        if e.body.get("kept")
    }
    missing = [name for sha256, name in wanted.items() if sha256 not in files]
    if missing:
        raise CasebookError(
            f"{path}: the recording {missing[0]} is missing or was changed; export the job again"
        )
    return job, {sha256: content for sha256, content in files.items() if sha256 in wanted}


def _parsed(path: Path, text: str) -> Mapping[str, Any]:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CasebookError(f"{path} is not a job: not JSON ({error}); give what job export wrote") from None
    if not isinstance(data, Mapping) or data.get("format") != FORMAT:
        raise CasebookError(
            f'{path} is not a job: it does not say "format": "{FORMAT}"; give what job export wrote'
        )
    if data.get("schema") != SCHEMA:
        raise CasebookError(
            f"{path} was written by a newer vibeorder (schema {data.get('schema')}); update vibeorder"
        )
    if trouble := trouble_in(data):
        raise CasebookError(f"{path}: {trouble}; export the job again")
    return data


def _job(path: Path, data: Mapping[str, Any]) -> Job:
    texts = [data.get(k) for k in ("uid", "opened_at", "complaint", "vehicle_name", "vehicle_profile")]
    entries = data.get("entries")
    if not all(isinstance(t, str) for t in texts) or not _UID.fullmatch(str(texts[0])) or not texts[2]:
        raise CasebookError(
            f"{path}: the job's uid, date, complaint or vehicle is missing or damaged; export it again"
        )
    if not isinstance(entries, list):
        raise CasebookError(f"{path}: the job's entries are missing; export it again")
    uid, opened_at, complaint, name, profile = (str(t) for t in texts)
    return Job(
        0,
        uid,
        opened_at,
        complaint,
        name,
        profile,
        tuple(_entry(path, n, e) for n, e in enumerate(entries, 1)),
    )


def _entry(path: Path, number: int, data: Any) -> Entry:
    sound = (
        isinstance(data, Mapping)
        and data.get("kind") in KINDS
        and isinstance(data.get("added_at"), str)
        and isinstance(data.get("body"), Mapping)
    )
    if not sound:
        raise CasebookError(f"{path}: entry {number} is damaged or of an unknown kind; export the job again")
    if wrong := misshapen(data["kind"], data["body"]):
        raise CasebookError(f"{path}: in entry {number} ({data['kind']}) {wrong}; export the job again")
    return Entry(data["kind"], data["added_at"], data["body"])


def _embedded(path: Path, data: Mapping[str, Any]) -> dict[str, bytes]:
    found = {}
    files = data.get("files") or {}
    if not isinstance(files, Mapping):
        raise CasebookError(f"{path}: the kept recordings are damaged; export the job again")
    for sha256, text in files.items():
        try:
            content = base64.b64decode(text, validate=True)
        except (binascii.Error, TypeError, ValueError):
            content = b""
        if not _SHA256.fullmatch(sha256) or _sha256(content) != sha256:
            raise CasebookError(f"{path}: a kept recording was changed or damaged; export the job again")
        found[sha256] = content
    return found


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
