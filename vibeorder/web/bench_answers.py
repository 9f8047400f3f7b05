"""From the words of a bench command to its answer and its picture: by the same functions as the command line."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from vibeorder.bench import (
    SAFETY_FRACTION,
    SHAFT_GRADE,
    Answer,
    Balance,
    CircleBalance,
    Effect,
    Indicator,
    JointCheck,
    JointLimits,
    Mating,
    Runout,
    ShaftCheck,
    Shares,
    Trial,
    answer_angles,
    answer_balance,
    answer_effect,
    answer_halfturn,
    answer_mate,
    answer_runout,
    answer_shaft,
    parse_readings,
    parse_run,
    runs_or_trials,
    shaft_rate_hz,
)
from vibeorder.errors import VibeorderError
from vibeorder.units import parse_length, parse_mass, parse_speed
from vibeorder.vehicle import Vehicle
from vibeorder.web.draw.dial import runout_svg
from vibeorder.web.draw.driveline import angles_svg
from vibeorder.web.draw.plot import effect_svg, shaft_svg
from vibeorder.web.draw.vectors import Named, circles_svg, mating_svg, vectors_svg

__all__ = ["WHERE_EMPTY", "answer_for", "pictures_again", "pictures_of"]

Inputs = Mapping[str, Any]
_RECORDING = re.compile(r"\.wav\b", re.IGNORECASE)
_DECIMALS = {"thou": 1, "mm": 3, "in": 4}
_LENGTH_UNIT = re.compile(r"(thou|inches|inch|in|mm|cm|um|µm|\")\s*(?:@|$)", re.IGNORECASE)

_USUAL = JointLimits()
WHERE_EMPTY: dict[str, float] = {
    "fraction": SAFETY_FRACTION,
    "grade": SHAFT_GRADE,
    "least": _USUAL.least_deg,
    "most": _USUAL.most_deg,
    "ends": _USUAL.ends_deg,
    "torsional": _USUAL.torsional_rad_s2,
    "inertia_drive": _USUAL.inertia_drive_rad_s2,
    "inertia_coast": _USUAL.inertia_coast_rad_s2,
}
"""What a field that was left empty counts as: by the command's own constants, and what its hint says."""


def answer_for(command: str, inputs: Inputs, vehicle: Vehicle | None = None) -> Answer:
    """The answer of a bench command to its options (by their names, without dashes). Raises VibeorderError."""
    made = {
        "runout": _runout, "halfturn": _halfturn, "mate": _mate, "effect": _effect, "balance": _balance,
        "angles": _angles, "shaft": _shaft,
    }  # fmt: skip
    if command not in made:
        raise VibeorderError(f"there is no measuring sheet {command!r}")
    return made[command](inputs, vehicle)


def pictures_of(answer: Answer, inputs: Inputs) -> tuple[str, ...]:
    """The answer's drawings as SVG."""
    result = answer.result
    if isinstance(result, Runout):
        return (_runout_picture(result, inputs),)
    if isinstance(result, Shares):
        return () if result.contradiction else (_parts_picture(result, inputs),)
    if isinstance(result, Mating):
        return (mating_svg(result, _length_unit(inputs)), _parts_picture(result.shares, inputs))
    if isinstance(result, Effect):
        return (effect_svg(result),)
    if isinstance(result, Balance | CircleBalance):
        return _balance_pictures(result, inputs)
    if isinstance(result, ShaftCheck):
        return (shaft_svg(result),)
    if isinstance(result, tuple) and result and isinstance(result[0], JointCheck):
        return (angles_svg(result[0]),)
    return ()


def pictures_again(body: Mapping[str, Any], vehicle: Vehicle | None = None) -> tuple[str, ...]:
    """The drawings of a reading kept in a job; none where its inputs no longer say enough."""
    inputs = body.get("inputs")
    if not isinstance(inputs, Mapping) or not isinstance(body.get("command"), str):
        return ()
    try:
        return pictures_of(answer_for(body["command"], inputs, vehicle), inputs)
    except (VibeorderError, ValueError, TypeError, LookupError, AttributeError):  # an entry of any origin
        return ()


def _shaft_rate(speed: str | None, vehicle: Vehicle | None) -> float | None:
    """Turns per second of the (rear, else front) driveshaft at a road speed; None without a speed."""
    if speed is None:
        return None
    if vehicle is None:
        raise VibeorderError(
            "a road speed needs the vehicle, to know how fast the shaft turns; or give the rpm"
        )
    return shaft_rate_hz(parse_speed(speed).si, vehicle)


def _runout(i: Inputs, vehicle: Vehicle | None) -> Answer:
    return answer_runout(
        i.get("readings"), back=i.get("back"), high=i.get("high"), low=i.get("low"), place=i.get("place"),
        bolts=i.get("bolts"), limit=i.get("limit"), vehicle=vehicle, indicator=_dial(i),
    )  # fmt: skip


def _halfturn(i: Inputs, _: Vehicle | None) -> Answer:
    return answer_halfturn(i.get("mount", ()), **_parts(i), indicator=_dial(i))


def _mate(i: Inputs, _: Vehicle | None) -> Answer:
    return answer_mate(
        i.get("mount", ()), fixed=i.get("fixed"), moved=i.get("moved"), bolts=i.get("bolts", 4),
        free=bool(i.get("free")), **_parts(i),
    )  # fmt: skip


def _effect(i: Inputs, vehicle: Vehicle | None) -> Answer:
    road = _shaft_rate(i.get("speed"), vehicle)
    rates = [*(float(rpm) / 60.0 for rpm in i.get("rpm", ())), *([] if road is None else [road])]
    return answer_effect(
        i["runout"], i["mass"], rates, one_end=bool(i.get("one_end")), critical_hz=_turns(i, "critical")
    )


def _balance(i: Inputs, _: Vehicle | None) -> Answer:
    runs = i.get("run", ())
    if any(_RECORDING.search(str(text)) for text in (i["reference"], i.get("after", ""), *runs)):
        raise VibeorderError("a recording cannot be named here; type the shake and its phase, like 3.4@116")
    return answer_balance(
        i["reference"], runs, order=float(i.get("order", 1.0)), runout_checked=bool(i.get("runout_checked")),
        phase_lag=bool(i.get("phase_lag")), clamp=i.get("clamp"), after=i.get("after"), radius=i.get("radius"),
        mass=i.get("mass"), rate_hz=_turns(i, "rpm"), grade=_number(i, "grade"),
    )  # fmt: skip


def _angles(i: Inputs, vehicle: Vehicle | None) -> Answer:
    rate = _turns(i, "rpm") or _shaft_rate(i.get("speed"), vehicle)
    if rate is None:
        raise VibeorderError("no speed given; give the shaft's rpm, or a road speed with the vehicle")
    names = ("least", "most", "ends", "torsional", "inertia_drive", "inertia_coast")
    limits = JointLimits(*(_number(i, name) for name in names))
    return answer_angles(
        i["slopes"], rate, sides=i.get("sides"), phasing=i.get("phasing"), constant_velocity=i.get("cv", ()),
        lengths=i.get("lengths"), limits=limits,
    )  # fmt: skip


def _shaft(i: Inputs, vehicle: Vehicle | None) -> Answer:
    highest = _turns(i, "max_rpm") or _shaft_rate(i.get("top_speed"), vehicle)
    return answer_shaft(
        i["diameter"], i["wall"], i["length"], material=i.get("material", "steel"), highest_hz=highest,
        fraction=_number(i, "fraction"),
    )  # fmt: skip


def _number(i: Inputs, name: str) -> float:
    """What was typed, else what counts where nothing was."""
    return float(i.get(name, WHERE_EMPTY[name]))


def _parts(i: Inputs) -> dict[str, Any]:
    return {
        "counted_on": i.get("counted_on", "moved"), "fixed_name": i.get("fixed_name", "flange"),
        "moved_name": i.get("moved_name", "shaft"), "limit": i.get("limit"),
    }  # fmt: skip


def _dial(i: Inputs) -> Indicator:
    lost, step = (0.0 if i.get(n) is None else parse_length(i[n]).si for n in ("backlash", "graduation"))
    return Indicator(
        graduation_m=step, backlash_m=lost, lever_ratio=float(i.get("lever_ratio", 1.0)),
        tilt_deg=float(i.get("tilt", 0.0)),
    )  # fmt: skip


def _turns(i: Inputs, name: str) -> float | None:
    """A number of rpm as turns per second."""
    return None if i.get(name) is None else float(i[name]) / 60.0


def _runout_picture(result: Runout, i: Inputs) -> str:
    if i.get("readings"):
        readings = parse_readings(i["readings"], bolts=i.get("bolts"), back=i.get("back"))
        return runout_svg(result, readings.unit, readings)
    return runout_svg(result, _length_unit(i))


def _parts_picture(shares: Shares, i: Inputs) -> str:
    unit = _length_unit(i)
    one = parse_length(f"1 {unit}").si
    fixed, moved = shares.fixed.value / one, shares.moved.value / one
    arrows = [
        Named(f"{shares.fixed_name} alone", fixed), Named(f"{shares.moved_name} alone", moved),
        Named("both, as first mounted", fixed + moved),
    ]  # fmt: skip
    return vectors_svg("High spots", arrows, unit, _DECIMALS.get(unit))


def _length_unit(i: Inputs) -> str:
    """The unit of the first length that was typed."""
    texts = [*i.get("mount", ()), i.get("fixed", ""), i.get("high", "")]
    found = (_LENGTH_UNIT.search(str(text)) for text in texts)
    return next((match[1].lower() for match in found if match), "thou")


def _balance_pictures(result: Balance | CircleBalance, i: Inputs) -> tuple[str, ...]:
    typed = [parse_run(text, bool(i.get("phase_lag"))) for text in i["run"]]
    unit = typed[0].unit
    if isinstance(result, CircleBalance):
        trials = [t for t in runs_or_trials(typed, False) if isinstance(t, Trial)]
        reference = abs(float(str(i["reference"]).replace(",", ".")))
        return (circles_svg(reference, trials, result, unit),)
    return (*_shakes(result, [run.readings for run in typed]), _weights(result, unit))


def _shakes(result: Balance, readings: Sequence[Sequence[complex]]) -> tuple[str, ...]:
    """The shake of one pickup before, with each trial weight, and the change that each made."""
    if len(result.reference) != 1:
        return ()
    before = result.reference[0]
    arrows = [Named("before", before)]
    for k, run in enumerate(readings, 1):
        which = "" if len(readings) == 1 else f" {k}"
        arrows.append(Named(f"with trial weight{which}", run[0]))
        if len(readings) == 1:
            arrows.append(Named("what the weight did", run[0] - before, before))
    return (vectors_svg("Shakes", arrows, ""),)


def _weights(result: Balance, unit: str) -> str:
    one = parse_mass(f"1 {unit}").si
    arrows = []
    for p, (correction, trial) in enumerate(zip(result.corrections, result.trials, strict=True), 1):
        where = "" if len(result.trials) == 1 else f", plane {p}"
        arrows += [Named(f"trial{where}", trial / one), Named(f"correction{where}", correction / one)]
    return vectors_svg("Weights", arrows, unit)
