"""Text of the bench commands and pages into the numbers the bench computes with."""

import cmath
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from vibeorder.bench.balance import Run
from vibeorder.bench.halfturn import Mounting, as_mounting
from vibeorder.bench.indicator import Indicator
from vibeorder.bench.joints import Driveline, Member
from vibeorder.bench.marked import first_order_vector, mark_times_s
from vibeorder.bench.places import Place
from vibeorder.bench.readings import parse_readings, parse_runout_vector
from vibeorder.bench.runout import RunoutLimit, check_unit, measure_runout
from vibeorder.bench.trial_circles import Trial
from vibeorder.bench.vectors import Vector, from_polar
from vibeorder.errors import UnitError, VibeorderError
from vibeorder.units import LARGEST, counted, parse_length, parse_mass
from vibeorder.vehicle import Vehicle

__all__ = [
    "TypedRun",
    "limit_for",
    "parse_driveline",
    "parse_limit",
    "parse_list",
    "parse_mount",
    "parse_run",
    "parse_runout_share",
    "parse_shake",
    "parse_shakes",
    "runs_or_trials",
]

# How well a high spot is found by eye while turning slowly: common practice, no source.
TYPED_ANGLE_SE_DEG = 5.0


@dataclass(frozen=True, slots=True)
class TypedRun:
    """weights per plane in kg and angle; readings per pickup, with a phase or (bare amplitude) without."""

    weights: tuple[complex, ...]
    readings: tuple[complex, ...]
    phased: bool
    unit: str


def parse_limit(text: str) -> RunoutLimit:
    """A limit out of the service information, as typed."""
    limit = parse_length(text)
    if not limit.si > 0.0:
        raise VibeorderError(f"a limit of {text!r} leaves nothing; give the allowed total indicator reading")
    return RunoutLimit(limit.si, text)


def limit_for(text: str | None, vehicle: Vehicle | None, place: Place | None) -> RunoutLimit | None:
    """The typed limit, else the vehicle's own for that place, else None (the place's marked default).

    A profile's "pinion_flange" counts for face and bore, its "driveshaft_middle" for the tube's middle.
    """
    if text is not None:
        return parse_limit(text)
    if vehicle is None or place is None:
        return None
    label = _key(place.label)
    named = {_key(limit.place): limit for limit in vehicle.limits}
    for name in sorted(named, key=len, reverse=True):
        if name in (place.key, *place.also) or place.key.startswith(f"{name}_") or label.startswith(name):
            return RunoutLimit(named[name].limit_m, named[name].given)
    return None


def _key(name: str) -> str:
    return re.sub(r"[^a-z]+", "_", name.lower()).strip("_")


def parse_mount(text: str, indicator: Indicator, limit: RunoutLimit | None = None) -> tuple[Mounting, str]:
    """A mounting and the user's unit from "180 = 19.9 thou@26" or "180 = 0 2 5 7 6 4 1 -1 thou".

    The number before "=" is how far the moved part has been turned.
    """
    index, equals, what = text.partition("=")
    if not equals:
        raise VibeorderError(
            f"mounting {text!r} has no '='; write '0 = 12 thou@30' or '180 = 0 2 5 3 ... thou'"
        )
    index_deg = _number(index, "index angle")
    if "@" in what:
        vector, unit = parse_runout_share(what, indicator, limit)
        return Mounting(index_deg, vector), unit
    readings = parse_readings(what)
    return as_mounting(index_deg, measure_runout(readings, limit=limit, indicator=indicator)), readings.unit


def parse_runout_share(
    text: str, indicator: Indicator, limit: RunoutLimit | None = None
) -> tuple[Vector, str]:
    """A runout vector (total indicator reading and high spot) and its unit from "12 thou@30"."""
    length, unit, angle = parse_runout_vector(text.strip())
    if length < 0.0:
        raise VibeorderError(f"{text.strip()!r}: a total indicator reading is not negative")
    check_unit(length, limit, unit)
    f = indicator.factor
    se = math.sqrt(2.0) * indicator.reading_u_m
    return from_polar(f * length, angle or 0.0, se, TYPED_ANGLE_SE_DEG), unit


def parse_run(text: str, lag: bool = False) -> TypedRun:
    """A run from "2 g@0 = 1.8@42"; with two planes and pickups "1.15 g@0, 0 = 235@94, 58@68"."""
    weights, equals, readings = text.partition("=")
    if not equals:
        raise VibeorderError(f"run {text!r} has no '='; write the weight, =, the reading: '2 g@0 = 1.8@42'")
    parsed = [_weight(w) for w in parse_list(weights)]
    if not parsed:
        raise VibeorderError(f"run {text!r} has no weight before the '='; write '2 g@0 = 1.8@42'")
    shakes, phased = parse_shakes(readings, lag)
    unit = next((u for _, u in parsed if u), "g")
    return TypedRun(tuple(w for w, _ in parsed), shakes, phased, unit)


def parse_shakes(text: str, lag: bool = False) -> tuple[tuple[complex, ...], bool]:
    """Every pickup's reading, and whether they have phases. lag: phases count against the weights' angles.

    A name ending in .wav is read: shake on the left channel, once-a-turn mark on the right.
    """
    shakes = [parse_shake(r) for r in parse_list(text)]
    if not shakes:
        raise VibeorderError("a run has no reading; write its shake, like 1.8@42")
    if len({p for _, p in shakes}) > 1:
        raise VibeorderError(
            f"{text.strip()!r} gives a phase for one pickup and not for another; give it for all"
        )
    return tuple(s.conjugate() if lag else s for s, _ in shakes), shakes[0][1]


def parse_shake(text: str) -> tuple[complex, bool]:
    """(vector, True) from "1.8@42", (amplitude, False) from "1.8"."""
    if text.strip().lower().endswith(".wav"):
        return _shake_of_recording(Path(text.strip())), True
    amplitude, at, phase = text.partition("@")
    size = _number(amplitude, "shake")
    if size < 0.0:
        raise VibeorderError(f"shake {text.strip()!r} is negative; give its amplitude, and the phase after @")
    if not at:
        return complex(size), False
    return cmath.rect(size, math.radians(_number(phase, "phase"))), True


def _shake_of_recording(path: Path) -> complex:
    """The vector turned into the direction of rotation: a peak after the mark is a lag."""
    import soundfile  # loads a library, needed only for recordings

    if not path.is_file():
        raise VibeorderError(f"there is no recording {path}")
    try:
        samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    except soundfile.LibsndfileError as error:
        raise VibeorderError(f"{path} cannot be read as a recording: {error}") from None
    if samples.shape[1] != 2:
        raise VibeorderError(
            f"{path} has {counted(samples.shape[1], 'channel')}; shake on the left, the mark on the right"
        )
    vector = first_order_vector(samples[:, 0], float(rate), mark_times_s(samples[:, 1], float(rate)))
    return vector.value.conjugate()


def runs_or_trials(runs: Sequence[TypedRun], reference_phased: bool) -> tuple[Run, ...] | tuple[Trial, ...]:
    """Runs with phases for influence coefficients, or amplitude-only trials; never a mixture."""
    phased = {r.phased for r in runs} | {reference_phased}
    if len(phased) > 1:
        raise VibeorderError(
            "some runs have a phase (5@30) and some only an amplitude (5); give it for all or none"
        )
    if reference_phased:
        return tuple(Run(r.weights, r.readings) for r in runs)
    if any(len(r.weights) != 1 or len(r.readings) != 1 for r in runs):
        raise VibeorderError(
            "without a phase only one plane and one pickup can be solved; balance one end at a time"
        )
    return tuple(
        Trial(abs(r.weights[0]), math.degrees(cmath.phase(r.weights[0])) % 360.0, abs(r.readings[0]))
        for r in runs
    )


def parse_driveline(
    slopes: str, sides: str | None = None, phasing: str | None = None, constant_velocity: Sequence[int] = ()
) -> Driveline:
    """A driveline from "3 down, 1 up, 3 down" (toward the rear), sides "0, 1.2 right, 0", phasing "0"."""
    fall = [_directed(s, {"down": 1.0, "d": 1.0, "up": -1.0, "u": -1.0}, "slope") for s in parse_list(slopes)]
    across = [0.0] * len(fall)
    if sides is not None:
        across = [
            _directed(s, {"right": 1.0, "r": 1.0, "left": -1.0, "l": -1.0}, "side angle")
            for s in parse_list(sides)
        ]
        if len(across) != len(fall):
            raise VibeorderError(
                f"{len(fall)} slopes but {len(across)} side angles; give one of each per piece"
            )
    names = _names(len(fall))
    members = tuple(Member(n, s, a) for n, s, a in zip(names, fall, across, strict=True))
    phases = () if phasing is None else tuple(_number(p, "phasing angle") for p in parse_list(phasing))
    return Driveline(members, phases, tuple(constant_velocity))


def _names(count: int) -> tuple[str, ...]:
    if count == 3:
        return "transmission", "shaft", "pinion"
    if count == 4:
        return "transmission", "front shaft", "rear shaft", "pinion"
    return tuple(f"piece {k}" for k in range(1, count + 1))


def _directed(text: str, signs: dict[str, float], what: str) -> float:
    match = re.fullmatch(r"\s*([-+]?[\d.,]+)\s*(?:deg\b|°)?\s*([a-z]*)\s*", text.lower())
    if match is None or (match[2] and match[2] not in signs):
        words = " or ".join(w for w in signs if len(w) > 1)
        raise VibeorderError(
            f"{what} {text.strip()!r} is not understood; write it like '3 {next(iter(signs))}' ({words})"
        )
    value = _number(match[1], what)
    if match[2] and value < 0.0:
        raise VibeorderError(f"{what} {text.strip()!r} has both a sign and a direction; give one of them")
    return value * (signs[match[2]] if match[2] else 1.0)


def _weight(text: str) -> tuple[complex, str]:
    amount, at, angle = text.partition("@")
    if amount.strip() in ("0", "none", "-"):
        return 0j, ""
    try:
        mass = parse_mass(amount)
    except UnitError as error:
        raise UnitError(f"weight {text.strip()!r}: {error}") from None
    if not abs(mass.si) < 100.0:
        raise VibeorderError(f"weight {text.strip()!r} is no balance weight; check the number and its unit")
    if not at:
        raise VibeorderError(f"weight {text.strip()!r} does not say where it sits; write it like '5 g@120'")
    return cmath.rect(mass.si, math.radians(_number(angle, "weight's angle"))), mass.unit


def parse_list(text: str) -> list[str]:
    """Parts between semicolons or between commas followed by a space (a bare comma may be a decimal one)."""
    return [p for p in re.split(r";|,\s+", text.strip()) if p.strip()]


def _number(text: str, what: str) -> float:
    try:
        value = float(text.strip().removesuffix("deg").strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if math.isnan(value):
        raise VibeorderError(f"{what} {text.strip()!r} is not a number")
    if abs(value) > LARGEST:
        raise VibeorderError(f"{what} {text.strip()[:40]!r} is far beyond anything here; check the number")
    return value
