"""From what was typed to an answer: one function per bench command, used by the command line and the page."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from vibeorder.bench.balance import (
    Balance,
    Residual,
    Run,
    may_balance,
    residual_against_grade,
    solve_balance,
    unbalance_left,
)
from vibeorder.bench.balance_words import balance_sheet, circle_sheet, residual_rows
from vibeorder.bench.effects import effect_of_runout, effect_sheet
from vibeorder.bench.grades import SHAFT_GRADE
from vibeorder.bench.halfturn import Frame, Shares, halfturn_sheet, shares_of_parts, solve_mountings
from vibeorder.bench.indicator import Indicator
from vibeorder.bench.joints import JointLimits, check_joints
from vibeorder.bench.mating import best_index_deg, bolt_positions_deg, mate, mating_sheet
from vibeorder.bench.places import find_place
from vibeorder.bench.plots import runout_figure, vectors_figure
from vibeorder.bench.readings import parse_extreme, parse_readings
from vibeorder.bench.runout import RunoutLimit, measure_runout, runout_from_extremes
from vibeorder.bench.runout_words import runout_sheet
from vibeorder.bench.shaft import MATERIALS, SAFETY_FRACTION, Tube, check_shaft, shaft_sheet
from vibeorder.bench.sheet import Sheet
from vibeorder.bench.shims import angles_sheet, center_spacer, pinion_shim, yokes_in_line
from vibeorder.bench.trial_circles import CircleBalance, Trial, balance_by_amplitudes
from vibeorder.bench.typed import (
    TypedRun,
    limit_for,
    parse_driveline,
    parse_limit,
    parse_list,
    parse_mount,
    parse_run,
    parse_runout_share,
    parse_shakes,
    runs_or_trials,
)
from vibeorder.errors import VibeorderError
from vibeorder.units import parse_length, parse_mass
from vibeorder.vehicle import Vehicle

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "Answer",
    "answer_angles",
    "answer_balance",
    "answer_effect",
    "answer_halfturn",
    "answer_mate",
    "answer_runout",
    "answer_shaft",
]


@dataclass(frozen=True, slots=True)
class Answer:
    """command: which bench command. result: its dataclass, SI. sheet: in words. figure: draws it, or None."""

    command: str
    result: object
    sheet: Sheet
    figure: "Callable[[], Figure] | None" = None


def answer_runout(
    readings: str | None = None,
    *,
    back: str | None = None,
    high: str | None = None,
    low: str | None = None,
    place: str | None = None,
    bolts: int | None = None,
    limit: str | None = None,
    vehicle: Vehicle | None = None,
    indicator: Indicator | None = None,
) -> Answer:
    """Readings, or highest and lowest, judged against the typed, the vehicle's, or the usual limit."""
    where = None if place is None else find_place(place)
    allowed = limit_for(limit, vehicle, where)
    if readings is not None:
        read = parse_readings(readings, bolts=bolts, back=back)
        result = measure_runout(read, place=where, limit=allowed, indicator=indicator)
        sheet = runout_sheet(result, read.unit, read)
        return Answer("runout", result, sheet, lambda: runout_figure(result, read.unit, read))
    if high is None or low is None:
        raise VibeorderError(
            "there is nothing to judge; give all the readings, or the highest and the lowest"
        )
    ends = parse_extreme(high, low)
    short = runout_from_extremes(ends, place=where, limit=allowed, indicator=indicator)
    return Answer("runout", short, runout_sheet(short, ends.unit))


def answer_halfturn(
    mounts: Sequence[str],
    *,
    counted_on: str = "moved",
    fixed_name: str = "flange",
    moved_name: str = "shaft",
    limit: str | None = None,
    indicator: Indicator | None = None,
) -> Answer:
    """Whose runout it is, from two or more mountings."""
    allowed = None if limit is None else parse_limit(limit)
    shares, unit = _mounted(mounts, counted_on, fixed_name, moved_name, allowed, indicator)
    return Answer("halfturn", shares, halfturn_sheet(shares, unit, allowed), _parts_figure(shares, unit))


def answer_mate(
    mounts: Sequence[str] = (),
    *,
    fixed: str | None = None,
    moved: str | None = None,
    bolts: int = 4,
    free: bool = False,
    counted_on: str = "moved",
    fixed_name: str = "flange",
    moved_name: str = "shaft",
    limit: str | None = None,
    indicator: Indicator | None = None,
) -> Answer:
    """Every bolting from the mountings, or from both parts' own runouts on their own marks."""
    allowed = None if limit is None else parse_limit(limit)
    if fixed is not None and moved is not None:
        dial = indicator or Indicator()
        (still, unit), (turned, _) = (parse_runout_share(t, dial, allowed) for t in (fixed, moved))
        shares = shares_of_parts(still, turned, fixed_name=fixed_name, moved_name=moved_name)
    else:
        shares, unit = _mounted(mounts, counted_on, fixed_name, moved_name, allowed, indicator)
    if shares.contradiction:
        raise VibeorderError(f"{shares.contradiction}: measure again before choosing a position")
    positions = (0.0, best_index_deg(shares)) if free else bolt_positions_deg(bolts)
    result = mate(shares, positions, allowed)
    step = "" if free else "half turn" if bolts == 2 else "bolt hole"
    return Answer("mate", result, mating_sheet(result, unit, step), _parts_figure(shares, unit))


def answer_effect(
    runout: str,
    mass: str,
    rates_hz: Sequence[float],
    *,
    one_end: bool = False,
    critical_hz: float | None = None,
) -> Answer:
    """What a runout pulls at these shaft rates."""
    if not rates_hz:
        raise VibeorderError("no speed given; give the shaft's rpm, or a road speed with the vehicle")
    length, weight = parse_length(runout), parse_mass(mass)
    result = effect_of_runout(
        length.si,
        weight.si,
        rates_hz,
        tir_se_m=math.sqrt(2.0) * Indicator().u_m,
        one_end=one_end,
        critical_hz=critical_hz,
    )
    return Answer("effect", result, effect_sheet(result, length.unit, str(weight)))


def answer_balance(
    reference: str,
    runs: Sequence[str],
    *,
    order: float = 1.0,
    runout_checked: bool = False,
    phase_lag: bool = False,
    clamp: str | None = None,
    after: str | None = None,
    radius: str | None = None,
    mass: str | None = None,
    rate_hz: float | None = None,
    grade: float = SHAFT_GRADE,
) -> Answer:
    """The correction weight; what is left after it where `after`, radius, mass and rate are given."""
    warnings = may_balance(order, runout_checked=runout_checked)
    start, phased = parse_shakes(reference, phase_lag)
    typed = [parse_run(text, phase_lag) for text in runs]
    if not typed:
        raise VibeorderError("no trial run given; put a weight on, run, and give weight = shake")
    unit = typed[0].unit
    clamp_kg = None if clamp is None else parse_mass(clamp).si
    solved = runs_or_trials(typed, phased)
    result: Balance | CircleBalance
    if phased:
        result = solve_balance(start, [r for r in solved if isinstance(r, Run)])
        left = [abs(w) for w in unbalance_left(result, _after(after, start, phase_lag))] if after else []
    else:
        result = balance_by_amplitudes(abs(start[0]), [t for t in solved if isinstance(t, Trial)])
        shakes = _after(after, start, phase_lag) if after else ()
        left = [result.correction * abs(shake) / abs(start[0]) for shake in shakes]
    extra = residual_rows(_residuals(left, radius, mass, rate_hz, grade), grade)
    if isinstance(result, Balance):
        sheet = balance_sheet(result, unit, clamp_kg=clamp_kg, warnings=warnings, extra=extra)
        return Answer("balance", result, sheet, _weights_figure(result, typed))
    sheet = circle_sheet(result, unit, clamp_kg=clamp_kg, warnings=warnings, extra=extra)
    return Answer("balance", result, sheet)


def answer_angles(
    slopes: str,
    rate_hz: float,
    *,
    sides: str | None = None,
    phasing: str | None = None,
    constant_velocity: Sequence[int] = (),
    lengths: str | None = None,
    limits: JointLimits | None = None,
) -> Answer:
    """Working angles against the limits, with the shim (and, given lengths, the spacer) that cures them."""
    check = check_joints(parse_driveline(slopes, sides, phasing, constant_velocity), rate_hz, limits)
    changes, unit, start = [], "mm", check
    if any(f.key == "phasing" for f in check.faults):
        changes.append(yokes_in_line(check))
        start = changes[0].after
    if start.faults:
        changes.append(pinion_shim(start))
        if lengths is not None:
            pieces = [parse_length(text) for text in parse_list(lengths)]
            unit = pieces[0].unit if pieces else unit
            changes.append(center_spacer(start, [p.si for p in pieces]))
    return Answer("angles", (check, tuple(changes)), angles_sheet(check, changes, unit))


def answer_shaft(
    diameter: str,
    wall: str,
    length: str,
    *,
    material: str = "steel",
    highest_hz: float | None = None,
    fraction: float = SAFETY_FRACTION,
) -> Answer:
    """Critical speed of a tube against the highest rate of the vehicle."""
    stuff = MATERIALS.get(material.lower().replace("aluminium", "aluminum"))
    if stuff is None:
        raise VibeorderError(f"material {material!r} is not known; one of: {', '.join(MATERIALS)}")
    outer, thick, long = (parse_length(t) for t in (diameter, wall, length))
    result = check_shaft(Tube(outer.si, thick.si, long.si, stuff), highest_hz, fraction)
    return Answer("shaft", result, shaft_sheet(result, long.unit))


def _mounted(
    mounts: Sequence[str],
    counted_on: str,
    fixed_name: str,
    moved_name: str,
    limit: RunoutLimit | None,
    indicator: Indicator | None,
) -> tuple[Shares, str]:
    if counted_on not in ("moved", "fixed"):
        raise VibeorderError(f"angles cannot be counted on {counted_on!r}; on the moved or on the fixed part")
    if not mounts:
        raise VibeorderError(
            "no mounting given; give at least two, like '0 = 12 thou@30' and '180 = 5 thou@80'"
        )
    parsed = [parse_mount(text, indicator or Indicator(), limit) for text in mounts]
    frame: Frame = "moved" if counted_on == "moved" else "fixed"
    shares = solve_mountings(
        [m for m, _ in parsed], frame=frame, fixed_name=fixed_name, moved_name=moved_name
    )
    return shares, parsed[0][1]


def _parts_figure(shares: Shares, unit: str) -> "Callable[[], Figure]":
    one = parse_length(f"1 {unit}").si
    vectors = {
        f"{shares.fixed_name} alone": shares.fixed.value / one,
        f"{shares.moved_name} alone": shares.moved.value / one,
        "both, as first mounted": (shares.fixed.value + shares.moved.value) / one,
    }
    return lambda: vectors_figure(vectors, "High spots", unit)


def _weights_figure(result: Balance, typed: Sequence[TypedRun]) -> "Callable[[], Figure]":
    one = parse_mass(f"1 {typed[0].unit}").si
    vectors: dict[str, complex] = {}
    for p, (x, trial) in enumerate(zip(result.corrections, result.trials, strict=True), 1):
        where = "" if len(result.trials) == 1 else f", plane {p}"
        vectors[f"trial{where}"] = trial / one
        vectors[f"correction{where}"] = x / one
    return lambda: vectors_figure(vectors, "Weights and where they sit", typed[0].unit)


def _after(text: str, reference: Sequence[complex], lag: bool) -> tuple[complex, ...]:
    """The shake after the correction, of every pickup of the reference.

    The size alone says what one pickup lacks; what two planes lack depends on how their shakes lie to each other.
    """
    shakes, phased = parse_shakes(text, lag)
    if len(shakes) != len(reference):
        raise VibeorderError(
            f"{len(shakes)} readings after, {len(reference)} before; give every pickup once, in the same order"
        )
    if len(shakes) > 1 and not phased:
        raise VibeorderError(
            f"the shake after the correction, {text.strip()!r}, has no phases, and the reference has; "
            "add the phase of every pickup, like 0.4@120, 0.5@30"
        )
    return shakes


def _residuals(
    left_kg: Sequence[float], radius: str | None, mass: str | None, rate_hz: float | None, grade: float
) -> list[Residual]:
    if not left_kg:
        return []
    if radius is None or mass is None or rate_hz is None:
        raise VibeorderError(
            "to compare what is left with a grade, give the weights' radius, the mass and the rpm"
        )
    arm, rotor = parse_length(radius).si, parse_mass(mass).si
    return [residual_against_grade(w * arm, rotor, rate_hz, grade, len(left_kg)) for w in left_kg]
