"""Values as the casebook's JSON can carry them."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from vibeorder.casebook.trouble import CasebookError

__all__ = ["clean", "plain", "text_line"]


def plain(value: Any) -> Any:
    """Dicts, lists, strings, numbers, booleans and None; not finite becomes None, all else its text."""
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, Mapping):
        return {clean(str(key)): plain(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray):
        return [plain(item) for item in value]
    return clean(str(value))


def clean(text: str) -> str:
    """Text that every encoder takes: halves of characters, as a terminal may hand over, become "?"."""
    return text.encode("utf-8", "replace").decode("utf-8")


def text_line(text: str, what: str) -> str:
    """What was said, without outer blanks. Raises CasebookError where nothing was."""
    said = clean(text).strip()
    if not said:
        raise CasebookError(f"the {what} is empty; say it in a few words")
    return said
