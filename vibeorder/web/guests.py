"""Students of a class on the shop's network: what their phones may open without the shop's access code.

A guest may join a class, and then see and answer that class's round; everything else of the shop is shut.
"""

import re
from collections.abc import Mapping

from vibeorder.web.classes import Classes

__all__ = ["JOIN_PATH", "Guests"]

JOIN_PATH = "/classroom/join"
_OF_A_CLASS = re.compile(
    r"/classroom/([0-9a-f]{24})(?:/(?:answer|board|standing|state|\d{1,3}/[a-z0-9.-]{1,40}))?"
)
"""A class's own pages and files; revealing, going on and taking out are the trainer's."""


class Guests:
    """Decides by path and cookies alone."""

    def __init__(self, classes: Classes) -> None:
        self._classes = classes

    def may(self, path: str, cookies: Mapping[str, str]) -> bool:
        """Whether a guest may open `path`."""
        if path == JOIN_PATH:
            return True
        found = _OF_A_CLASS.fullmatch(path)
        if found is None:
            return False
        token = cookies.get(f"vibeorder_student_{found[1]}", "")[:100]
        return bool(token) and self._classes.is_student(found[1], token)

    def way_in(self, path: str) -> str:
        """Where somebody without a pass is sent: to the class's door, else to the shop's."""
        return JOIN_PATH if _OF_A_CLASS.fullmatch(path) else "/access"
