"""Classes in a round: kept in the round's folder, beside the riddles; tokens kept only as digests.

A class's code lets a student's phone into that class's round and into nothing else of the shop.

The file is the server's own: no route serves it, and its answers are read by `vibeorder.classroom` alone.
"""

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from vibeorder.classroom import SchoolClass, as_dict, class_from
from vibeorder.errors import VibeorderError
from vibeorder.web.store import NotThereError, Store, is_id
from vibeorder.web.tries import Tries

__all__ = ["CLASS_FILE", "SCHOOL_DAY_S", "Classes", "KeptClass", "digest"]

CLASS_FILE = "class.json"
CODE_LETTERS = "BCDFGHJKLMNPQRSTVWXZ23456789"
"""No vowels, so that no code is a word; nothing that is taken for something else."""
CODE_LENGTH = 6
# With 100 wrong tries in ten minutes from all phones together, somebody who guesses all through a school day has one
# chance in 67,000 to get into a round: 28^6 codes / (100 x 6 x 12). A class of thirty mistypes a few times at once.
TRIES_TOGETHER = 100
TRIES_EACH = 10
SCHOOL_DAY_S = 12 * 3600.0
"""How long a code lets students in, and how long they may stay without the shop's own access code."""


@dataclass(frozen=True, slots=True)
class KeptClass:
    """A class as its file says. name: id of the round's folder. code: what students type to join.

    opened_s: Unix time.
    """

    name: str
    code: str
    trainer: str
    school: SchoolClass
    opened_s: float = 0.0

    @property
    def is_today(self) -> bool:
        """Whether its code still lets anybody in."""
        return time.time() - self.opened_s < SCHOOL_DAY_S


class Classes:
    """All classes in a store. May be used from any thread of one server."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._tries = Tries(TRIES_EACH, TRIES_TOGETHER)

    def open(self, name: str, questions: int) -> str:
        """Begin a class in the folder of a round; the token that proves its trainer."""
        token = secrets.token_urlsafe(24)
        code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        self._write(KeptClass(name, code, digest(token), SchoolClass(questions), time.time()))
        return token

    def get(self, name: str) -> KeptClass | None:
        """The class of a folder, or None where it is no round. Raises NotThereError."""
        kept: Any = self._store.read_json(name, CLASS_FILE)
        if not isinstance(kept, dict):
            return None
        return KeptClass(
            name,
            str(kept["code"]),
            str(kept["trainer"]),
            class_from(kept["school"]),
            float(kept.get("opened_s", 0.0)),
        )

    def enter(self, code: str, address: str) -> KeptClass:
        """The class whose code was typed; a wrong one counts against the address it was typed at.

        Raises VibeorderError, TooManyTriesError.
        """
        self._tries.check(address)
        try:
            return self._by_code(code)
        except VibeorderError:
            self._tries.wrong(address)
            raise

    def is_student(self, name: str, token: str) -> bool:
        """Whether a token was given to a student of a class of today."""
        try:
            kept = self.get(name)
        except NotThereError:
            return False
        return kept is not None and kept.is_today and kept.school.student(digest(token)) is not None

    def _by_code(self, code: str) -> KeptClass:
        wanted = "".join(code.replace("-", " ").split()).upper()
        for folder in self._store.root.iterdir() if wanted else ():
            if is_id(folder.name) and (folder / CLASS_FILE).is_file():
                try:
                    kept = self.get(folder.name)
                except NotThereError:
                    continue
                if (
                    kept is not None
                    and kept.is_today
                    and hmac.compare_digest(kept.code.encode(), wanted.encode())
                ):
                    return kept
        raise VibeorderError("no class has that code; look at the board")

    def change(self, name: str, how: Callable[[SchoolClass], SchoolClass]) -> KeptClass:
        """Replace a class by what `how` makes of it, one change at a time. Raises what `how` raises."""
        with self._lock:
            kept = self.get(name)
            if kept is None:
                raise NotThereError("there is no such class; it may have been thrown away as an old one")
            changed = replace(kept, school=how(kept.school))
            self._write(changed)
            return changed

    def _write(self, kept: KeptClass) -> None:
        value = {
            "code": kept.code,
            "trainer": kept.trainer,
            "school": as_dict(kept.school),
            "opened_s": kept.opened_s,
        }
        self._store.write_json(kept.name, CLASS_FILE, value)


def digest(token: str) -> str:
    """What is kept of a token: SHA-256 (FIPS 180-4); the token itself has 192 random bits."""
    return hashlib.sha256(token.encode()).hexdigest() if token else ""
