"""The measuring sheets' forms: what was typed into their fields to the words that the bench commands take.

Nothing is computed here. Cells round the clock become the same line of text that `--readings` takes; every field
is tried alone, so that what is wrong is said beside it.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any

from vibeorder.bench import parse_limit, parse_readings, parse_run, parse_shake
from vibeorder.bench.readings import parse_runout_vector
from vibeorder.errors import VibeorderError
from vibeorder.units import parse_length, parse_mass, parse_speed
from vibeorder.web.bench_cells import (
    NUMBER,
    Typed,
    as_number,
    as_rpm,
    cell_names,
    count_of,
    counting_of,
    typed_readings,
    unit_of,
    with_reading_unit,
    with_unit,
    with_vector_unit,
)

__all__ = ["MAIN_FIELD", "MOST_MOUNTS", "MOST_RUNS", "SHEETS", "FormError", "inputs_of"]

SHEETS = {
    "runout": "runout",
    "half-turn": "halfturn",
    "mating": "mate",
    "effect": "effect",
    "balance": "balance",
    "angles": "angles",
    "shaft": "shaft",
}
"""Address of a sheet -> its bench command."""
MAIN_FIELD = {
    "runout": "readings", "half-turn": "m1_text", "mating": "m1_text", "effect": "runout", "balance": "runs",
    "angles": "slopes", "shaft": "length",
}  # fmt: skip
"""Where a sentence stands that no single field is to blame for."""
MOST_MOUNTS, MOST_RUNS = 4, 4
LEAST_PLACES = 4
"""Readings that a circle needs, as `parse_readings` has it."""
_WHOLE_RPM = re.compile(r"\d{3,}")
_RECORDING = re.compile(r"\.wav\b", re.IGNORECASE)


class FormError(VibeorderError):
    """One sentence for each field that cannot be used. fields: name -> sentence."""

    def __init__(self, fields: Mapping[str, str]) -> None:
        super().__init__(" ".join(fields.values()))
        self.fields = dict(fields)


def inputs_of(sheet: str, typed: Typed) -> dict[str, Any]:
    """What was typed, by the names of the bench command's options; empty ones left out.

    Raises FormError.
    """
    reader = _Reader(typed)
    found = _READERS[sheet](reader)
    if reader.trouble:
        raise FormError(reader.trouble)
    return {name: value for name, value in found.items() if value not in (None, "", [], False)}


class _Reader:
    """Fields taken one by one; what is wrong is gathered by the field's name."""

    def __init__(self, typed: Typed) -> None:
        self.typed = typed
        self.trouble: dict[str, str] = {}
        self.unit = unit_of(typed)

    def text(self, name: str) -> str | None:
        return self.typed.get(name, "").strip() or None

    def tried(self, name: str, text: str | None, parse: Callable[[str], object]) -> str | None:
        """`text` as it is, after a parser of the library has accepted it."""
        if not text:
            return None
        try:
            parse(text)
        except VibeorderError as error:
            self.trouble.setdefault(name, str(error))
        return text

    def length(self, name: str) -> str | None:
        """A length; a bare number is in the sheet's unit."""
        text = self.text(name)
        return self.tried(name, text and with_unit(text, self.unit), parse_length)

    def mass(self, name: str, unit: str) -> str | None:
        text = self.text(name)
        return self.tried(name, text and with_unit(text, unit), parse_mass)

    def number(self, name: str, what: str) -> float | None:
        text = self.text(name)
        if text is None:
            return None
        if not NUMBER.fullmatch(text):
            self.trouble.setdefault(name, f"{what} {text!r} is not a number")
            return None
        return as_number(text)

    def rpm(self, name: str, what: str) -> float | None:
        """Turns a minute, in which "1,800" is as many as 1800."""
        value = self.number(name, what)
        return None if value is None else as_rpm(str(self.text(name)))

    def whole(self, name: str, what: str, allowed: range) -> int | None:
        value = self.number(name, what)
        if value is None:
            return None
        if value != int(value) or int(value) not in allowed:
            self.trouble.setdefault(name, f"{what} must be a whole number from {allowed[0]} to {allowed[-1]}")
            return None
        return int(value)

    def ticked(self, name: str) -> bool:
        return bool(self.text(name))

    def speed(self, name: str) -> str | None:
        text = self.text(name)
        return self.tried(name, text, parse_speed)

    def need(self, name: str, sentence: str) -> None:
        self.trouble.setdefault(name, sentence)


def _runout(r: _Reader) -> dict[str, Any]:
    bolts = r.whole("bolts", "the number of bolts", range(3, 25))
    if counting_of(r.typed) == "bolts" and not r.text("readings"):
        bolts = count_of(r.typed)
    readings = _readings(r, "", "readings", bolts)
    high, low = (_vector(r, name, angle_needed=False) for name in ("high", "low"))
    if not readings and bool(high) != bool(low):
        missing = "low" if high else "high"
        r.need(missing, f"give the {missing}est reading too, or all of them")
    back = r.text("back")
    if readings and back:
        r.tried(
            "back",
            with_reading_unit(back, r.unit),
            lambda text: parse_readings(readings, bolts=bolts, back=text),
        )
    return {
        "readings": readings, "back": back and with_reading_unit(back, r.unit), "high": None if readings else high,
        "low": None if readings else low, "place": r.text("place"), "bolts": bolts, "limit": _limit(r),
        **_indicator(r), "direction": r.text("direction"),
    }  # fmt: skip


def _halfturn(r: _Reader) -> dict[str, Any]:
    return {"mount": _mounts(r), **_two_parts(r), **_indicator(r), "direction": r.text("direction")}


def _mate(r: _Reader) -> dict[str, Any]:
    fixed, moved = (_vector(r, name) for name in ("fixed", "moved"))
    own = bool(fixed and moved)
    if bool(fixed) != bool(moved):
        missing = "moved" if fixed else "fixed"
        r.need(missing, "give the other part's own runout too, or the mountings above")
    free = r.text("bolts") == "free"
    bolts = None if free else r.whole("bolts", "the number of positions", range(2, 25))
    return {
        "mount": None if own else _mounts(r), "fixed": fixed if own else None, "moved": moved if own else None,
        "bolts": bolts, "free": free, **_two_parts(r), "direction": r.text("direction"),
    }  # fmt: skip


def _effect(r: _Reader) -> dict[str, Any]:
    for name, what in (("runout", "total indicator reading"), ("mass", "mass that runs off center")):
        if not r.text(name):
            r.need(name, f"give the {what}")
    rates = _shaft_speeds(r)
    return {
        "runout": r.length("runout"), "mass": r.mass("mass", "kg"),
        "rpm": rates, "speed": r.speed("speed"),
        "one_end": r.ticked("one_end"), "critical": r.rpm("critical", "the critical speed"),
    }  # fmt: skip


def _shaft_speeds(r: _Reader) -> list[float]:
    """Turns a minute, one or several. A comma without a space parts them where both sides are whole speeds, since
    nobody reads a shaft to the fourth decimal: "1800,2400"; "1,800" and "1800,5" are one.
    """
    found = []
    for said in (t for t in re.split(r"[;\s]+|,\s+", r.text("rpm") or "") if t):
        parts = said.split(",")
        whole = len(parts) > 1 and all(_WHOLE_RPM.fullmatch(part) for part in parts)
        if (len(parts) > 2 and not whole) or (len(parts) == 2 and all(len(p) == 3 for p in parts) and whole):
            r.need("rpm", f"shaft speed {said!r} may be one number or several; put a space between them")
            return []
        for one in parts if whole else [said]:
            if not NUMBER.fullmatch(one):
                r.need("rpm", f"shaft speed {one!r} is not a number of turns a minute")
                return []
            found.append(as_rpm(one))
    return found


def _balance(r: _Reader) -> dict[str, Any]:
    unit = "oz" if r.text("weight_unit") == "oz" else "g"
    reference = r.text("reference") or _shake(r, "ref")
    lines = [line.strip() for line in (r.text("runs") or "").splitlines() if line.strip()]
    rows = [row for row in (_run_row(r, k, unit) for k in range(1, MOST_RUNS + 1)) if row]
    if not reference:
        r.need(
            "reference" if r.text("runs") else "ref_size", "give the shake without weights, as it was before"
        )
    elif r.text("reference"):
        _no_recording(r, "reference", reference)
        for part in re.split(r";|,\s+", reference):
            r.tried("reference", part, parse_shake)
    for line in lines:
        _no_recording(r, "runs", line)
        r.tried("runs", line, parse_run)
    after = r.text("after")
    if after:
        _no_recording(r, "after", after)
    return {
        "reference": reference, "run": lines or rows, "order": r.number("order", "the order"),
        "runout_checked": r.ticked("runout_checked"), "phase_lag": r.ticked("phase_lag"),
        "clamp": r.mass("clamp", unit), "after": after,
        "radius": r.tried("radius", r.text("radius") and with_unit(str(r.text("radius")), "mm"), parse_length),
        "mass": r.mass("mass", "kg"), "rpm": r.rpm("rpm", "the shaft speed"),
        "grade": r.number("grade", "the grade"),
    }  # fmt: skip


def _angles(r: _Reader) -> dict[str, Any]:
    pieces = range(1, (4 if r.text("pieces") == "4" else 3) + 1)
    slopes = r.text("slopes") or _directed(r, pieces, "slope", "down", "slope")
    sides = r.text("sides") or _directed(r, pieces, "side", "right", "side angle", blank="0")
    if not slopes:
        r.need("slopes" if r.text("slopes") else "p1_slope", "give the slope of every piece, front to back")
    limits = {
        name: r.number(name, f"the limit {text}")
        for name, text in (("least", "below"), ("most", "above"), ("ends", "between the ends"))
    }
    return {
        "slopes": slopes, "sides": sides, "phasing": r.text("phasing"),
        "cv": [k for k in pieces if r.ticked(f"cv{k}")], "lengths": r.text("lengths"),
        "rpm": r.rpm("rpm", "the shaft speed"), "speed": r.speed("speed"), **limits,
    }  # fmt: skip


def _shaft(r: _Reader) -> dict[str, Any]:
    for name, what in (
        ("diameter", "outside diameter"),
        ("wall", "wall"),
        ("length", "length between the joints"),
    ):
        if not r.text(name):
            r.need(name, f"give the tube's {what}")
    return {
        "diameter": r.length("diameter"), "wall": r.length("wall"), "length": r.length("length"),
        "material": r.text("material"), "max_rpm": r.rpm("max_rpm", "the highest shaft speed"),
        "top_speed": r.speed("top_speed"), "fraction": r.number("fraction", "the share of the critical speed"),
    }  # fmt: skip


_READERS: Mapping[str, Callable[[_Reader], dict[str, Any]]] = {
    "runout": _runout, "half-turn": _halfturn, "mating": _mate, "effect": _effect, "balance": _balance,
    "angles": _angles, "shaft": _shaft,
}  # fmt: skip


def _readings(r: _Reader, prefix: str, line: str, bolts: int | None = None) -> str | None:
    """The readings' line, tried; a cell that is no number is named."""
    if not r.text(line):
        names = cell_names(r.typed)
        for i, name in enumerate(names):
            text = r.typed.get(f"{prefix}c{i}", "").strip()
            if text and not NUMBER.fullmatch(text):
                r.need(f"{prefix}c{i}", f"the reading {text!r} at {name} is not a number")
                return None
    text = typed_readings(r.typed, prefix, line)
    return r.tried(_blamed(r, prefix, line), text or None, lambda said: parse_readings(said, bolts=bolts))


def _blamed(r: _Reader, prefix: str, line: str) -> str:
    """The field that a fault of the readings is said beside: their line, or the cell furthest from zero.

    With less than a circle in the cells nothing is wrong yet, and nothing is said beside them.
    """
    cells = {f"{prefix}c{i}": r.typed.get(f"{prefix}c{i}", "").strip() for i in range(count_of(r.typed))}
    sizes = {name: abs(as_number(text)) for name, text in cells.items() if NUMBER.fullmatch(text)}
    if r.text(line) or len(sizes) < LEAST_PLACES:
        return line
    return max(sizes, key=lambda name: sizes[name])


def _mounts(r: _Reader) -> list[str]:
    found = []
    for k in range(1, MOST_MOUNTS + 1):
        line = f"m{k}_text"
        text = r.text(line)
        if text and "@" in text:
            text = r.tried(line, with_vector_unit(text, r.unit), parse_runout_vector)
        else:
            text = _readings(r, f"m{k}_", line)
        if not text:
            continue
        index = r.number(f"m{k}_index", "the angle it was turned by")
        if index is None:
            r.need(f"m{k}_index", "say how far the part was turned for this mounting, 0 for the first")
        found.append(f"{index or 0:g} = {text}")
    return found


def _two_parts(r: _Reader) -> dict[str, Any]:
    return {
        "counted_on": "fixed" if r.text("counted_on") == "fixed" else None, "fixed_name": r.text("fixed_name"),
        "moved_name": r.text("moved_name"), "limit": _limit(r),
    }  # fmt: skip


def _limit(r: _Reader) -> str | None:
    text = r.text("limit")
    return r.tried("limit", text and with_unit(text, r.unit), parse_limit)


def _indicator(r: _Reader) -> dict[str, Any]:
    return {
        "lever_ratio": r.number("lever_ratio", "the adapter's ratio"),
        "tilt": r.number("tilt", "the slant of the stem"), "backlash": r.length("backlash"),
        "graduation": r.length("graduation"),
    }  # fmt: skip


def _vector(r: _Reader, name: str, *, angle_needed: bool = True) -> str | None:
    text = r.text(name)
    return r.tried(
        name,
        text and with_vector_unit(text, r.unit),
        lambda t: parse_runout_vector(t, angle_needed=angle_needed),
    )


def _shake(r: _Reader, prefix: str) -> str | None:
    """ "3.4@116", or "3.4" where no phase was read."""
    size, phase = r.number(f"{prefix}_size", "the shake"), r.number(f"{prefix}_phase", "the phase")
    if size is None:
        if phase is not None:
            r.need(f"{prefix}_size", "give the size of the shake too, not its phase alone")
        return None
    return f"{size:g}" if phase is None else f"{size:g}@{phase:g}"


def _run_row(r: _Reader, k: int, unit: str) -> str | None:
    weight, at, shake = (
        r.mass(f"r{k}_weight", unit),
        r.number(f"r{k}_at", "the weight's place"),
        _shake(r, f"r{k}"),
    )
    if weight is None and at is None and shake is None:
        return None
    for name, value, what in (
        ("weight", weight, "give the trial weight"), ("at", at, "say where the weight sits, in degrees"),
        ("size", shake, "give the shake with this weight on"),
    ):  # fmt: skip
        if value is None:
            r.need(f"r{k}_{name}", what)
    return f"{weight}@{at or 0:g} = {shake}"


def _directed(
    r: _Reader, pieces: range, name: str, usual: str, what: str, blank: str = ""
) -> str | None:  # fmt: skip
    """ "3 down, 5 down, 3 down" from a number and a direction for each piece; None where all are empty."""
    values = [r.number(f"p{k}_{name}", f"{what} {k}") for k in pieces]
    if all(value is None for value in values):
        return None
    said = []
    for k, value in zip(pieces, values, strict=True):
        if value is None and not blank:
            r.need(f"p{k}_{name}", f"give the {what} of this piece too")
        way = r.text(f"p{k}_{name}_way") or usual
        said.append(
            f"{value:g} {way}"
            if value is not None and value >= 0
            else f"{value:g}"
            if value
            else blank or "0"
        )
    return ", ".join(said)


def _no_recording(r: _Reader, name: str, text: str) -> None:
    if _RECORDING.search(text):
        r.need(name, "a recording cannot be named here; type the shake and its phase, like 3.4@116")
