"""Saved vehicles: one TOML profile each, in files named by random ids."""

import json
import re
import secrets
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vibeorder.errors import VehicleError
from vibeorder.vehicle import Vehicle, load_vehicle, parse_vehicle

__all__ = ["SavedVehicle", "Vehicles", "toml_text"]

_ID = re.compile(r"[0-9a-f]{12}")
MAX_BYTES = 20_000


@dataclass(frozen=True, slots=True)
class SavedVehicle:
    """One saved profile. name: random id. text: the TOML as it stands in the file."""

    name: str
    vehicle: Vehicle
    text: str


class Vehicles:
    """The folder of saved vehicles. May be used from any thread."""

    def __init__(self, root: Path, most: int) -> None:
        self.root, self._most = root, most
        self._lock = threading.Lock()
        self._read: dict[str, tuple[tuple[int, int], SavedVehicle]] = {}
        root.mkdir(parents=True, exist_ok=True)

    def all(self) -> tuple[SavedVehicle, ...]:
        """Every saved vehicle that can still be read, by its name."""
        found = []
        for path in self.root.glob("*.toml"):
            try:
                found.append(self.get(path.stem))
            except VehicleError:
                continue
        return tuple(sorted(found, key=lambda one: one.vehicle.name.casefold()))

    def get(self, name: str) -> SavedVehicle:
        """One saved vehicle. Raises VehicleError."""
        path = self._path(name)
        try:
            found = path.stat()
        except OSError:
            self._read.pop(name, None)
            raise VehicleError("there is no such saved vehicle; choose another, or fill it in") from None
        stamp = (found.st_mtime_ns, found.st_size)
        kept = self._read.get(name)
        if kept is None or kept[0] != stamp:  # every page with a list asks for all of them
            kept = (stamp, SavedVehicle(name, load_vehicle(path), path.read_text("utf-8-sig")))
            self._read[name] = kept
        return kept[1]

    def save(self, mapping: Mapping[str, Any], name: str = "") -> SavedVehicle:
        """Check a profile and write it, over the one of that id where one is given. Raises VehicleError."""
        vehicle = parse_vehicle(mapping, "this vehicle")
        text = toml_text(mapping)
        if len(text) > MAX_BYTES:
            raise VehicleError("this vehicle has too much in it; leave out accessories or limits")
        with self._lock:
            if not name and sum(1 for _ in self.root.glob("*.toml")) >= self._most:
                raise VehicleError(f"{self._most} vehicles are saved already; remove one first")
            name = name or secrets.token_hex(6)
            path = self._path(name)
            draft = path.with_suffix(".draft")
            draft.write_text(text, "utf-8")
            draft.replace(path)
        return SavedVehicle(name, vehicle, text)

    def remove(self, name: str) -> None:
        """Throw a saved vehicle away."""
        self._path(name).unlink(missing_ok=True)
        self._read.pop(name, None)

    def _path(self, name: str) -> Path:
        if _ID.fullmatch(name) is None:
            raise VehicleError("there is no such saved vehicle; choose another, or fill it in")
        return self.root / f"{name}.toml"


def toml_text(mapping: Mapping[str, Any]) -> str:
    """A profile as TOML: sections of plain values, and lists of sections.

    >>> print(toml_text({"tire": {"size": "275/65R18"}}), end="")
    [tire]
    size = "275/65R18"
    """
    parts = []
    for section, content in mapping.items():
        many = isinstance(content, list)
        for one in content if many else [content]:
            head = f"[[{_key(section)}]]" if many else f"[{_key(section)}]"
            lines = [f"{_key(key)} = {_value(value)}" for key, value in one.items()]
            parts.append("\n".join([head, *lines]) + "\n")
    return "\n".join(parts)


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _quoted(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    return _quoted(str(value))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")
