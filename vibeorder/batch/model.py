"""What a batch hands from hand to hand: a recording to diagnose, and what became of it."""

from dataclasses import dataclass, field
from typing import Any

from vibeorder.batch.said import Said

__all__ = ["Outcome", "Print", "Task"]


@dataclass(frozen=True, slots=True)
class Task:
    """One recording to diagnose. source: its name relative to the folder, with /. trouble: why it cannot be."""

    source: str
    path: str
    vehicle: str
    said: Said = field(default_factory=Said)
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Print:
    """Fingerprint of a file: bytes, time of its last change [ns], SHA-256; of a folder over all its files."""

    size: int
    mtime_ns: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """One recording done. result: the diagnosis as in the JSON contract, or None where `error` says why not.

    options: digest of all that the result depends on beside the recording itself.
    """

    source: str
    print: Print | None
    options: str
    vehicle: str
    seconds: float
    result: dict[str, Any] | None
    error: str
