"""The vehicle's TOML file and its checks.

::

    [vehicle]
    name = "shop truck"
    layout = "rwd"                  # rwd, fwd, 4wd, awd, ev
    [tire]
    size = "275/65R18"              # or diameter_mm, revs_per_mile, revs_per_km, circumference_mm
    [axle]
    ratio = 3.73
    [transmission]
    gears = [4.70, 2.99, 2.15, 1.77, 1.52, 1.28, 1.00, 0.85, 0.69, 0.64]
    [engine]
    cylinders = 8

Only the layout and one statement about the tire are required; what is missing is said in `Vehicle.notes`,
with the parts that cannot be judged without it.
"""

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import get_args

from vibeorder.errors import UnitError, VehicleError
from vibeorder.units import parse_length
from vibeorder.vehicle.checks import check_keys, number, text_of, whole
from vibeorder.vehicle.limit_places import LIMIT_PLACES
from vibeorder.vehicle.model import Accessory, Layout, Limit, RollingTire, Vehicle
from vibeorder.vehicle.tires import rolling_tire
from vibeorder.vehicle.tomlfile import read_toml

__all__ = ["load_vehicle", "parse_vehicle"]

# Widest values found on road vehicles, with room; they exist to catch a slipped decimal point.
# common practice, no source.
AXLE_RATIO = (1.5, 12.0)
GEAR_RATIO = (0.3, 20.0)
MAX_GEARS = 18
LOW_RANGE = (1.0, 6.0)
MOTOR_RATIO = (1.0, 20.0)
PULLEY_RATIO = (0.2, 10.0)
DIAMETER_MM = (350.0, 1500.0)
REVS_PER_MILE = (330.0, 1500.0)
REVS_PER_KM = (205.0, 930.0)
CIRCUMFERENCE_MM = (1070.0, 4800.0)
LIMIT_M = (1e-6, 0.025)

_LAYOUTS: tuple[str, ...] = get_args(Layout)
_TIRE_NUMBERS = {
    "diameter_mm": DIAMETER_MM,
    "revs_per_mile": REVS_PER_MILE,
    "revs_per_km": REVS_PER_KM,
    "circumference_mm": CIRCUMFERENCE_MM,
}
_TIRE_LENGTHS = {"diameter": DIAMETER_MM, "circumference": CIRCUMFERENCE_MM}  # text with a unit
_TIRE_KEYS = ("size", *_TIRE_NUMBERS, *_TIRE_LENGTHS)
_KEYS: dict[str, tuple[str, ...]] = {
    "vehicle": ("name", "layout"),
    "tire": tuple(f"{end}{key}" for end in ("", "front_", "rear_") for key in _TIRE_KEYS),
    "axle": ("ratio", "front_ratio", "independent"),
    "transmission": ("gears", "final_drive", "low_range"),
    "transfer": ("low_range",),
    "driveshaft": ("pieces",),
    "engine": ("cylinders", "strokes"),
    "motor": ("ratio",),
}
_ACCESSORY_KEYS = ("name", "ratio")
_SECTIONS = (*_KEYS, "accessory", "limits")
_HOMES = {key: section for section, keys in _KEYS.items() for key in keys if key != "ratio"}

Section = Mapping[str, object]


def load_vehicle(path: str | Path) -> Vehicle:
    """Read a vehicle profile from a TOML file, which is left as it was.

    Raises VehicleError (one sentence naming the file) for anything that cannot be used.
    """
    return parse_vehicle(read_toml(path), Path(path).name)


def parse_vehicle(mapping: Section, source: str = "vehicle profile") -> Vehicle:
    """A Vehicle from the sections of a profile, all checked.

    source: what to call the profile in errors. Raises VehicleError.
    """
    try:
        return _build(mapping, source)
    except (VehicleError, UnitError) as error:
        raise VehicleError(f"{source}: {error}") from None


def _build(mapping: Section, source: str) -> Vehicle:
    check_keys(mapping, _SECTIONS, "the profile", _HOMES, kind="section")
    sections = {name: _section(mapping, name) for name in _KEYS}
    layout = _layout(sections["vehicle"])
    tire, rear_tire = _tires(sections["tire"])
    axle, final_drive = _driven_ratios(sections, layout)
    vehicle = Vehicle(
        name=_name(sections["vehicle"]),
        layout=layout,
        tire=tire,
        rear_tire=rear_tire,
        axle_ratio=None if layout == "ev" else axle,
        front_axle_ratio=_front_ratio(sections["axle"], layout, axle, final_drive),
        gears=_gears(sections["transmission"]),
        low_range=_low_range(sections),
        motor_ratio=_motor_ratio(sections, layout, axle),
        cylinders=whole(sections["engine"].get("cylinders", 0), "[engine] cylinders", range(17)),
        strokes=whole(sections["engine"].get("strokes", 4), "[engine] strokes", (2, 4)),
        shaft_pieces=_shaft_pieces(sections["driveshaft"]),
        accessories=_accessories(mapping.get("accessory", [])),
        limits=_limits(mapping.get("limits", {})),
        source=source,
        final_drive=final_drive,
        half_shafts=_half_shafts(sections["axle"], layout),
    )
    return _with_notes(vehicle, sections["axle"])


def _section(mapping: Section, name: str) -> Section:
    section = mapping.get(name, {})
    if not isinstance(section, Mapping):
        key = _KEYS[name][0]
        raise VehicleError(f"{name} must be a section: write [{name}] on a line, and {key} = ... below it")
    check_keys(section, _KEYS[name], f"[{name}]", _HOMES)
    return section


def _name(section: Section) -> str:
    return (
        text_of(section["name"], "[vehicle] name", "shop truck") if "name" in section else "unnamed vehicle"
    )


def _layout(section: Section) -> Layout:
    choices = ", ".join(_LAYOUTS)
    if "layout" not in section:
        raise VehicleError(f'[vehicle] layout is missing; add layout = "rwd" (one of {choices})')
    layout = text_of(section["layout"], "[vehicle] layout", "rwd").lower()
    layout = {"4x4": "4wd", "2wd": "rwd", "electric": "ev", "bev": "ev"}.get(layout, layout)
    for known in get_args(Layout):
        if layout == known:
            return known  # type: ignore[no-any-return]
    raise VehicleError(f"[vehicle] layout {layout!r:.40} is unknown; write one of {choices}")


def _tires(section: Section) -> tuple[RollingTire, RollingTire | None]:
    front = {key: section[key] for key in _TIRE_KEYS if key in section}
    for key in _TIRE_KEYS:
        if f"front_{key}" in section:
            if key in front:
                raise VehicleError(f"[tire] {key} and front_{key} both say what the front tire is; keep one")
            front[key] = section[f"front_{key}"]
    rear = {key: section[f"rear_{key}"] for key in _TIRE_KEYS if f"rear_{key}" in section}
    if not front:
        raise VehicleError('no tire is given; add [tire] with size = "275/65R18", or circumference_mm = 2410')
    tire = _tire(front, "")
    return tire, (_tire(rear, "rear_") if rear else None)


def _tire(given: Section, end: str) -> RollingTire:
    numbers = {
        key: number(given[key], f"[tire] {end}{key}", *bounds)
        for key, bounds in _TIRE_NUMBERS.items()
        if key in given
    }
    shown = {}
    for key, bounds in _TIRE_LENGTHS.items():
        if key not in given:
            continue
        if f"{key}_mm" in given:
            raise VehicleError(f"[tire] {end}{key} and {end}{key}_mm say the same thing; keep one")
        length = parse_length(text_of(given[key], f"[tire] {end}{key}", "95.2 in"))
        numbers[f"{key}_mm"] = number(length.si * 1e3, f"[tire] {end}{key} in mm,", *bounds)
        shown[key] = str(length)
    size = text_of(given["size"], f"[tire] {end}size", "275/65R18") if "size" in given else None
    return rolling_tire(
        size=size,
        diameter_mm=numbers.get("diameter_mm"),
        revs_per_mile=numbers.get("revs_per_mile"),
        revs_per_km=numbers.get("revs_per_km"),
        circumference_mm=numbers.get("circumference_mm"),
        diameter_given=shown.get("diameter", ""),
        circumference_given=shown.get("circumference", ""),
    )


def _driven_ratios(sections: Mapping[str, Section], layout: str) -> tuple[float | None, float | None]:
    """The axle ratio, and a final drive beside it where the engine has its own way to the wheels."""
    axle = _ratio(sections["axle"], "ratio", "axle ratio", AXLE_RATIO)
    final = _ratio(sections["transmission"], "final_drive", "[transmission] final_drive", AXLE_RATIO)
    if layout != "fwd" or final is None:
        return axle, final
    if axle is not None and axle != final:
        raise VehicleError(
            f"with front-wheel drive the axle ratio is the final drive, but {axle:g} and {final:g} "
            "are given; keep one"
        )
    return final, None


def _ratio(section: Section, key: str, where: str, bounds: tuple[float, float]) -> float | None:
    return number(section[key], where, *bounds) if key in section else None


def _front_ratio(section: Section, layout: str, axle: float | None, final: float | None) -> float | None:
    front = _ratio(section, "front_ratio", "front axle ratio", AXLE_RATIO)
    if layout not in ("4wd", "awd"):
        return None
    # A crosswise engine has no front driveshaft; any other four-wheel drive has equal ratios unless said.
    return front if front is not None or final is not None else axle


def _gears(section: Section) -> tuple[float, ...]:
    if "gears" not in section:
        return ()
    listed = section["gears"]
    where = "[transmission] gears"
    if not isinstance(listed, list):
        raise VehicleError(
            f"{where} must be the list of ratios, first gear first, like gears = [3.06, 1.63, 1.00]"
        )
    if len(listed) > MAX_GEARS:
        raise VehicleError(f"{where} lists {len(listed)} ratios; no gearbox here has more than {MAX_GEARS}")
    gears = tuple(
        number(value, f"[transmission] gear {i} ratio", *GEAR_RATIO) for i, value in enumerate(listed, 1)
    )
    for i, (lower, higher) in enumerate(pairwise(gears), 1):
        if higher >= lower:
            raise VehicleError(
                f"{where} must fall from first gear to top, but gear {i + 1} ({higher:g}) is not below "
                f"gear {i} ({lower:g}); leave reverse out"
            )
    return gears


def _low_range(sections: Mapping[str, Section]) -> float | None:
    found = [
        (name, number(sections[name]["low_range"], f"[{name}] low_range", *LOW_RANGE))
        for name in ("transfer", "transmission")
        if "low_range" in sections[name]
    ]
    if len(found) == 2 and found[0][1] != found[1][1]:
        raise VehicleError(
            "low_range stands under [transfer] and [transmission] with different values; keep one"
        )
    return found[0][1] if found else None


def _motor_ratio(sections: Mapping[str, Section], layout: str, axle: float | None) -> float | None:
    motor = _ratio(sections["motor"], "ratio", "[motor] ratio", MOTOR_RATIO)
    return axle if motor is None and layout == "ev" else motor


def _shaft_pieces(section: Section) -> int | None:
    return whole(section["pieces"], "[driveshaft] pieces", (1, 2, 3)) if "pieces" in section else None


def _half_shafts(section: Section, layout: str) -> bool:
    given = section.get("independent")
    if given is not None and not isinstance(given, bool):
        raise VehicleError("[axle] independent must be true (half-shafts) or false (solid axle)")
    return given if given is not None else layout != "rwd"


def _accessories(listed: object) -> tuple[Accessory, ...]:
    if not isinstance(listed, list) or not all(isinstance(entry, Mapping) for entry in listed):
        raise VehicleError(
            "accessories are written one by one, each under its own [[accessory]] with name and ratio"
        )
    found: dict[str, Accessory] = {}
    for i, entry in enumerate(listed, 1):
        check_keys(entry, _ACCESSORY_KEYS, f"[[accessory]] number {i}", {})
        for key in _ACCESSORY_KEYS:
            if key not in entry:
                raise VehicleError(f"[[accessory]] number {i} has no {key}; it needs name and ratio")
        name = text_of(entry["name"], f"[[accessory]] number {i} name", "alternator")
        if name in found:
            raise VehicleError(f"two accessories are called {name!r}; give each its own name")
        found[name] = Accessory(name, number(entry["ratio"], f"accessory {name} ratio", *PULLEY_RATIO))
    return tuple(found.values())


def _limits(section: object) -> tuple[Limit, ...]:
    if not isinstance(section, Mapping):
        raise VehicleError(
            'limits must be a section: write [limits] on a line, and place = "0.010 in" below it'
        )
    known = ("unit", *LIMIT_PLACES)
    unknown = [place for place in section if re.sub(r"[^a-z]+", "_", place.lower()).strip("_") not in known]
    check_keys(dict.fromkeys(unknown), known, "[limits]", {}, kind="place")
    unit = text_of(section["unit"], "[limits] unit", "in") if "unit" in section else None
    return tuple(_limit(place, value, unit) for place, value in section.items() if place != "unit")


def _limit(place: str, value: object, unit: str | None) -> Limit:
    where = f"[limits] {place}"
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if is_number and unit is None:
        raise VehicleError(f'{where} = {value} has no unit; write {place} = "{value} in" or "{value} mm"')
    given = f"{value} {unit}" if is_number else text_of(value, where, "0.010 in")
    try:
        limit = parse_length(given)
    except UnitError as error:
        raise VehicleError(f"{where}: {error}") from None
    low, high = LIMIT_M
    if not low <= limit.si <= high:
        raise VehicleError(
            f"{where} {given!r} is outside 0.001 to {high * 1e3:g} mm; check the number and its unit"
        )
    return Limit(place, limit.si, given)


def _with_notes(vehicle: Vehicle, axle: Section) -> Vehicle:
    notes = [tire.note for tire in (vehicle.tire, vehicle.rear_tire) if tire is not None and tire.note]
    if vehicle.layout == "ev":
        notes += _ev_notes(vehicle)
    else:
        notes += _engine_notes(vehicle, axle)
    return replace(vehicle, notes=tuple(notes))


def _ev_notes(vehicle: Vehicle) -> list[str]:
    notes = []
    if vehicle.motor_ratio is None:
        notes.append("the motor is not judged: add [motor] ratio (motor turns per wheel turn)")
    if vehicle.accessories and not vehicle.has_engine:
        notes.append("accessories are not judged: there is no engine that drives them")
    return notes


def _engine_notes(vehicle: Vehicle, axle: Section) -> list[str]:
    notes = []
    if vehicle.axle_ratio is None:
        shafts = (
            "the engine"
            if vehicle.layout == "fwd"
            else "the driveshaft and, without an rpm signal, the engine"
        )
        notes.append(f"{shafts} cannot be judged: add [axle] ratio")
    elif (
        vehicle.layout in ("4wd", "awd")
        and "front_ratio" not in axle
        and vehicle.front_axle_ratio is not None
    ):
        notes.append(f"front axle ratio taken as {vehicle.front_axle_ratio:g}, like the rear")
    if not vehicle.gears:
        notes.append("without an rpm signal the engine cannot be judged: add [transmission] gears")
    if not vehicle.cylinders:
        notes.append("cylinder firing is not judged: add [engine] cylinders")
    if not vehicle.half_shafts and "independent" not in axle:
        notes.append(
            "a solid rear axle is assumed; where it has half-shafts write independent = true under [axle]"
        )
    return notes
