"""A TOML file of the user's, read with errors that a person who never saw TOML can act on."""

import re
import tomllib
from pathlib import Path

from vibeorder.errors import VehicleError

__all__ = ["read_toml"]

MAX_BYTES = 1_000_000


def read_toml(path: str | Path) -> dict[str, object]:
    """The mapping in a TOML file, which is left as it was. Raises VehicleError, naming the file."""
    file = Path(path)
    text = _read_text(file)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise VehicleError(f"{file.name} is not a vehicle profile: its lists are nested too deeply") from None
    except ValueError as error:  # TOMLDecodeError is one; so is an integer of thousands of digits
        raise VehicleError(f"{file.name} is not valid TOML: {_toml_hint(error, text)}") from None


def _read_text(file: Path) -> str:
    try:
        if not file.exists():
            raise VehicleError(f"there is no vehicle profile {str(file)!r}; check the name and the folder")
        if not file.is_file():
            raise VehicleError(f"{str(file)!r} is not a file; give the vehicle's .toml file")
        size = file.stat().st_size
        if size > MAX_BYTES:
            raise VehicleError(
                f"{file.name} holds {size / 1e6:.1f} MB; a vehicle profile is a short text file: "
                "is this a recording?"
            )
        data = file.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise VehicleError(f"vehicle profile {str(file)!r} cannot be read: {reason}") from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise VehicleError(
            f"{file.name} is not UTF-8 text (byte {error.start + 1}); save it as UTF-8, "
            "or give the .toml file if this is another kind"
        ) from None


def _toml_hint(error: ValueError, text: str) -> str:
    """The parser's own words, the line they are about, and the usual slip of that kind."""
    if not isinstance(error, tomllib.TOMLDecodeError):
        return "one of its numbers has thousands of digits"
    found = re.search(r"line (\d+)", str(error))
    if found is None:
        return f"{error}; a bracket or a quote may be left open"
    lines = text.splitlines()
    index = min(int(found.group(1)), len(lines)) - 1
    line = lines[index].strip() if lines else ""
    hint = ""
    if re.match(r"^[\w-]+\s*=\s*-?\d+,\d+\s*(#.*)?$", line):
        hint = "; write the decimal with a point"
    elif re.match(r"^[\w-]+\s*=\s*[^\"'\[{\s]", line):
        hint = "; text goes in double quotes"
    elif re.match(r"^[\w-]+\s*:", line):
        hint = "; write key = value"
    return f"{error}: {line[:80]!r}{hint}"
