"""A job as the casebook keeps it: what was complained of, and everything that happened since, in order."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["KINDS", "Entry", "Job", "JobLine"]

KINDS = (
    "recording", "reading", "decision", "cure", "comparison", "closed", "reopened", "intake", "checked",
)  # fmt: skip
"""What can happen in a job. Entries are only ever added: a record that can be rewritten proves nothing."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened. kind: one of KINDS. added_at: UTC, ISO 8601. body: plain JSON values."""

    kind: str
    added_at: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Job:
    """One complaint and what became of it.

    number: within this casebook; uid: the same wherever the job is taken. vehicle_text: the profile (TOML) as
    it was when the job was opened, '' where none was given. entries: oldest first.
    """

    number: int
    uid: str
    opened_at: str
    complaint: str
    vehicle_name: str
    vehicle_text: str
    entries: tuple[Entry, ...] = ()

    @property
    def closed(self) -> bool:
        """Whether the last word was that it is closed."""
        last = [entry.kind for entry in self.entries if entry.kind in ("closed", "reopened")]
        return bool(last) and last[-1] == "closed"

    def of_kind(self, kind: str) -> tuple[Entry, ...]:
        """The entries of one kind, oldest first."""
        return tuple(entry for entry in self.entries if entry.kind == kind)


@dataclass(frozen=True, slots=True)
class JobLine:
    """One job in a list."""

    number: int
    opened_at: str
    complaint: str
    vehicle_name: str
    entries: int
    closed: bool
