"""The form of one drive: what was typed to the arguments of the diagnosis task."""

from collections.abc import Mapping, Sequence
from typing import Any

from starlette.datastructures import FormData

from vibeorder.errors import VibeorderError
from vibeorder.vehicle import gear_ratio, parse_vehicle
from vibeorder.web.intake_form import unit_told
from vibeorder.web.pages_common import LONGEST_COMPLAINT, form_text
from vibeorder.web.settings import Limits
from vibeorder.web.vehicle_form import FIELDS, profile_of
from vibeorder.web.vehicles import Vehicles

__all__ = ["DRIVE_FIELDS", "NEW_JOB", "PHONE_PLACES", "drive_arguments", "typed_gear"]

PHONE_PLACES = (
    "seat track, driver's side",
    "seat track, passenger's side",
    "floor, front",
    "floor, rear",
    "tunnel or console",
    "dash",
    "steering column",
    "on the part itself",
    "in a hand",
    "elsewhere",
)
READING = {
    "time_column": "Time column",
    "axes": "Acceleration columns",
    "unit": "Unit of the acceleration",
    "speed_column": "Speed column",
    "speed_unit": "Unit of the speed column",
    "rpm_column": "Engine speed column",
    "rate": "Samples per second",
}
"""Fields for a recording whose columns are not found by themselves, and their labels."""
DRIVE_FIELDS = (
    "vehicle", "keep_vehicle", *FIELDS, "speed", "gear", "in_low_range", "log_late", "phone_place", "complaint",
    "job", "role", "count_words", *READING,
)  # fmt: skip
NEW_JOB = "new"


def drive_arguments(
    form: FormData, recordings: Sequence[Mapping[str, str]], speed_log: Mapping[str, str] | None,
    vehicles: Vehicles, limits: Limits,
) -> dict[str, Any]:  # fmt: skip
    """All that the task needs, checked as far as it can be before the recording is read, but for a job's intake.

    Saves a vehicle that was filled in and is to be kept. Raises VibeorderError.
    """
    if not recordings:
        raise VibeorderError("choose a recording first: what the phone wrote while it shook")
    if len(recordings) > limits.files:
        raise VibeorderError(f"send at most {limits.files} recordings at once")
    profile = _vehicle(form, vehicles)
    car = parse_vehicle(profile, "vehicle")
    speed, gear, late = form_text(form, "speed", 60), typed_gear(form), form_text(form, "log_late", 20)
    _check_speed(speed, speed_log, late)
    if gear is not None and car.gears:
        gear_ratio(car, gear)
    return {
        "recordings": [dict(one) for one in recordings],
        "vehicle": profile,
        "vehicle_name": car.name,
        "speed": speed,
        "speed_log": None if speed_log is None else dict(speed_log),
        "log_late": late,
        "gear": gear,
        "low_range": bool(form.get("in_low_range")),
        "options": _reading(form),
        "phone_place": form_text(form, "phone_place", 60),
        "complaint": " ".join(form_text(form, "complaint", LONGEST_COMPLAINT).split()),
        "job": _job(form),
        "role": "after" if form.get("role") == "after" else "before",
        "speed_unit": unit_told(speed, form_text(form, "complaint", LONGEST_COMPLAINT)),
        "intake": {},
        "count_words": form_text(form, "count_words", 4) != "no",
        "decoded_s": limits.decoded_s,
        "unpacked_bytes": limits.unpacked_bytes,
        "typed": {name: str(form.get(name, "")) for name in DRIVE_FIELDS if form.get(name)},
    }


def _vehicle(form: FormData, vehicles: Vehicles) -> dict[str, Any]:
    """The sections of the vehicle's profile: a saved one's, or as filled in."""
    import tomllib

    chosen = form_text(form, "vehicle", 40)
    if chosen:
        return tomllib.loads(vehicles.get(chosen).text)
    profile = profile_of(form)
    if form.get("keep_vehicle"):
        if not form_text(form, "name"):
            raise VibeorderError("give the vehicle a name to keep it under")
        vehicles.save(profile)
    return profile


def typed_gear(form: FormData) -> int | None:
    """The gear that was typed; None where none was. Raises VibeorderError."""
    text = form_text(form, "gear", 40)
    if text and not (text.isascii() and text.isdigit() and int(text) > 0):
        raise VibeorderError(f"gear {text!r} is not the number of a gear; the lowest is 1")
    return int(text) if text else None


def _check_speed(speed: str, speed_log: object, late: str) -> None:
    if speed and speed_log:
        raise VibeorderError("the dash's speed and a speed log both say how fast it went; give one of them")
    if late and not speed_log:
        raise VibeorderError("how late the speed log runs is said, but no speed log is sent")
    if speed:
        from vibeorder.speed.given import parse_speed_given

        parse_speed_given(speed)
    if late:
        from vibeorder.units import parse_time

        parse_time(late)


def _reading(form: FormData) -> dict[str, Any]:
    """Keyword arguments of ReadOptions, without those left empty."""
    typed: dict[str, Any] = {name: form_text(form, name, 100) for name in READING}
    found = {name: text for name, text in typed.items() if text}
    if "axes" in found:
        names = [name.strip() for name in found["axes"].split(",")]
        if not 1 <= len(names) <= 3 or not all(names):
            raise VibeorderError("name one to three acceleration columns with commas between, like x,y,z")
        found["axes"] = names
    if "rate" in found:
        from vibeorder.units import parse_sample_rate

        found["rate_hz"] = parse_sample_rate(found.pop("rate")).si
        if found["rate_hz"] <= 0.0:
            raise VibeorderError('samples per second are above zero, like "500 Hz"')
    return found


def _job(form: FormData) -> int | str | None:
    text = form_text(form, "job", 12)
    if not text:
        return None
    if text == NEW_JOB:
        if not form_text(form, "complaint", LONGEST_COMPLAINT):
            raise VibeorderError("a new job begins with the customer's complaint: write it down")
        return NEW_JOB
    if not text.isascii() or not text.isdigit():
        raise VibeorderError("choose the job from the list")
    return int(text)
