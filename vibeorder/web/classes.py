"""Classes in a round: kept in the round's folder, beside the riddles; tokens kept only as digests.

The file is the server's own: no route serves it, and its answers are read by `vibeorder.classroom` alone.
"""

import hashlib
import hmac
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from vibeorder.classroom import SchoolClass, as_dict, class_from
from vibeorder.errors import VibeorderError
from vibeorder.web.store import NotThereError, Store, is_id

__all__ = ["CLASS_FILE", "Classes", "KeptClass", "digest"]

CLASS_FILE = "class.json"
CODE_LETTERS = "BCDFGHJKLMNPQRSTVWXZ23456789"
"""No vowels, so that no code is a word; nothing that is taken for something else."""
CODE_LENGTH = 5


@dataclass(frozen=True, slots=True)
class KeptClass:
    """A class as its file says. name: id of the round's folder. code: what students type to join."""

    name: str
    code: str
    trainer: str
    school: SchoolClass


class Classes:
    """All classes in a store. May be used from any thread of one server."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lock = threading.Lock()

    def open(self, name: str, questions: int) -> str:
        """Begin a class in the folder of a round; the token that proves its trainer."""
        token = secrets.token_urlsafe(24)
        code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        self._write(KeptClass(name, code, digest(token), SchoolClass(questions)))
        return token

    def get(self, name: str) -> KeptClass | None:
        """The class of a folder, or None where it is no round. Raises NotThereError."""
        kept: Any = self._store.read_json(name, CLASS_FILE)
        if not isinstance(kept, dict):
            return None
        return KeptClass(name, str(kept["code"]), str(kept["trainer"]), class_from(kept["school"]))

    def by_code(self, code: str) -> KeptClass:
        """The class that a code belongs to. Raises VibeorderError."""
        wanted = "".join(code.split()).upper()
        for folder in self._store.root.iterdir() if wanted else ():
            if is_id(folder.name) and (folder / CLASS_FILE).is_file():
                try:
                    kept = self.get(folder.name)
                except NotThereError:
                    continue
                if kept is not None and hmac.compare_digest(kept.code.encode(), wanted.encode()):
                    return kept
        raise VibeorderError("no class has that code; look at the board")

    def change(self, name: str, how: Callable[[SchoolClass], SchoolClass]) -> KeptClass:
        """Replace a class by what `how` makes of it, one change at a time. Raises what `how` raises."""
        with self._lock:
            kept = self.get(name)
            if kept is None:
                raise NotThereError("there is no such class; it may have been thrown away as an old one")
            changed = KeptClass(name, kept.code, kept.trainer, how(kept.school))
            self._write(changed)
            return changed

    def _write(self, kept: KeptClass) -> None:
        value = {"code": kept.code, "trainer": kept.trainer, "school": as_dict(kept.school)}
        self._store.write_json(kept.name, CLASS_FILE, value)


def digest(token: str) -> str:
    """What is kept of a token: SHA-256 (FIPS 180-4); the token itself has 192 random bits."""
    return hashlib.sha256(token.encode()).hexdigest() if token else ""
