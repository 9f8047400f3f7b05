"""Balancing in one or more planes by influence coefficients, only where balance is the right cure.

With V_r the readings of run r and w_r the weights on the rotor in it,
    V_r = V_0 + A w_r,            correction x = -argmin |V_0 + A x|
A is the response per unit weight (probe x plane), found from all runs together; a trial weight that was
left in is simply still in w_r. Goodman, A Least-Squares Method for Computing Balance Corrections,
J. Engineering for Industry, Aug 1964, pp. 273-279. Vectors are complex numbers; weights and
phases must be counted in the same direction round the shaft.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibeorder.bench.grades import permissible_unbalance_kg_m
from vibeorder.errors import VibeorderError
from vibeorder.units import counted
from vibeorder.vehicle import BALANCE_ONLY_FIRST_ORDER, RUNOUT_BEFORE_BALANCE

__all__ = [
    "Balance",
    "Residual",
    "Run",
    "may_balance",
    "residual_against_grade",
    "solve_balance",
    "two_clamps",
    "unbalance_left",
]

# How well amplitude (relative) and phase (radians) of a once-a-turn reading repeat: judgement, no source.
READING_RELATIVE_U = 0.03
# A change below this many standard errors is no change.
CHANGE_SIGMAS = 3.0
# A good trial changes the amplitude by 30% or the phase by 30 degrees: common practice, no source.
GOOD_CHANGE = 0.30
GOOD_CHANGE_DEG = 30.0
# A correction this many times the trial is an extrapolation.
FAR = 4.0

Matrix = tuple[tuple[complex, ...], ...]


@dataclass(frozen=True, slots=True)
class Run:
    """Weights on the rotor in that run, one per plane, and the readings, one per probe (complex)."""

    weights: tuple[complex, ...]
    readings: tuple[complex, ...]


@dataclass(frozen=True, slots=True)
class Balance:
    """corrections: weight to put on the bare rotor (all trials off), one per plane, in the trial's unit.

    correction_ses: standard error of each, in any direction. coefficients: response per unit weight
    [probe][plane]. residuals: predicted readings afterwards; residual_rms over the probes;
    expected_rms also counts what the readings' own errors will leave. trials: heaviest trial per plane.
    additions: what to add where the last run's weights stay on.
    """

    corrections: tuple[complex, ...]
    correction_ses: tuple[float, ...]
    coefficients: Matrix
    reference: tuple[complex, ...]
    residuals: tuple[complex, ...]
    residual_rms: float
    expected_rms: float
    trials: tuple[complex, ...]
    additions: tuple[complex, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Residual:
    """unbalance_kg_m left in a plane against what the grade allows there; grade_mm_s: the G it amounts to."""

    unbalance_kg_m: float
    allowed_kg_m: float
    grade_mm_s: float
    within: bool


def may_balance(order: float, *, runout_checked: bool) -> tuple[str, ...]:
    """Refuse what a weight cannot cure; warn until a runout check within limits is on record.

    Raises VibeorderError for any order but the first.
    """
    if abs(order - 1.0) > 0.02:
        raise VibeorderError(
            f"Order {order:g} cannot be balanced. {BALANCE_ONLY_FIRST_ORDER} At the second order of a "
            "driveshaft look for joint angles and yoke phasing, at any other order look at the part itself."
        )
    if runout_checked:
        return ()
    on_record = "No runout check within limits is on record."
    return (f"{on_record} {RUNOUT_BEFORE_BALANCE} Say --runout-checked once it is.",)


def solve_balance(
    reference: Sequence[complex], runs: Sequence[Run], *, relative_u: float | None = None
) -> Balance:
    """Corrections for every plane from a reference run without weights and at least one run per plane.

    Raises VibeorderError for a zero trial weight, too few runs or probes, or a trial that changed nothing.
    """
    u = READING_RELATIVE_U if relative_u is None else relative_u
    base = Run((0j,) * (len(runs[0].weights) if runs else 1), tuple(reference))
    every = (base, *runs)
    _check_runs(every)
    y = np.array([r.readings for r in every])
    w = np.array([r.weights for r in every])
    start, coefficients = _coefficients(w, y)
    sigma = u * np.abs(y).max(axis=0)
    _check_change(w, coefficients, sigma)
    corrections = _corrections(start, coefficients)
    residuals = start + coefficients @ corrections
    ses = _errors(w, y, u * np.abs(y))
    rms = float(np.sqrt(np.mean(np.abs(residuals) ** 2)))
    missed = float(np.mean(np.abs(coefficients) ** 2 @ (2.0 * np.array(ses) ** 2)))
    trials = tuple(complex(w[np.argmax(np.abs(w[:, p])), p]) for p in range(w.shape[1]))
    return Balance(
        tuple(corrections.tolist()),
        ses,
        tuple(tuple(row) for row in coefficients.tolist()),
        tuple(start.tolist()),
        tuple(residuals.tolist()),
        rms,
        math.hypot(rms, math.sqrt(missed)),
        trials,
        tuple((corrections - w[-1]).tolist()),
        _notes(every, corrections, trials, coefficients),
    )


def residual_against_grade(
    unbalance_kg_m: float, mass_kg: float, rate_hz: float, grade_mm_s: float, planes: int
) -> Residual:
    """Unbalance left in one plane against its share of the grade's allowance (evenly over the planes)."""
    allowed = permissible_unbalance_kg_m(mass_kg, rate_hz, grade_mm_s) / planes
    return Residual(
        unbalance_kg_m, allowed, grade_mm_s * unbalance_kg_m / allowed, within=unbalance_kg_m <= allowed
    )


def unbalance_left(result: Balance, after: Sequence[complex]) -> tuple[complex, ...]:
    """Weight still missing in each plane, from the shake measured after the correction: -argmin |V + A x|."""
    if len(after) != len(result.reference):
        raise VibeorderError(
            f"{counted(len(after), 'reading')} after, {len(result.reference)} before; give every pickup"
        )
    return tuple(_corrections(np.array(after), np.array(result.coefficients)).tolist())


def two_clamps(correction: complex, clamp: float) -> tuple[float, float, float]:
    """Where the heads of two equal hose clamps go: (first deg, second deg, half the angle between them).

    Their sum is 2 c cos(half): together they weigh 2 c, opposite each other nothing.
    Raises VibeorderError where even both together are too light.
    """
    if not clamp > 0.0:
        raise VibeorderError("a clamp's weight must be above zero; weigh its screw head")
    size = abs(correction)
    if size > 2.0 * clamp:
        raise VibeorderError(
            f"two clamps of {clamp:g} make at most {2 * clamp:g}, but {size:.3g} is needed; "
            "use heavier clamps"
        )
    half = math.degrees(math.acos(size / (2.0 * clamp)))
    at = _angle(correction)
    return (at - half) % 360.0, (at + half) % 360.0, half


def _check_runs(runs: Sequence[Run]) -> None:
    planes, probes = len(runs[0].weights), len(runs[0].readings)
    if len(runs) < planes + 1:
        raise VibeorderError(
            f"{planes} plane{'s' if planes > 1 else ''} need{'' if planes > 1 else 's'} at least {planes} "
            f"trial run{'s' if planes > 1 else ''} beside the reference; {len(runs) - 1} given"
        )
    for k, run in enumerate(runs):
        if len(run.weights) != planes or len(run.readings) != probes:
            raise VibeorderError(
                f"run {k} has {len(run.weights)} weights and {len(run.readings)} readings where the others "
                f"have {planes} and {probes}; give every plane and every pickup in every run"
            )
    if probes < planes:
        raise VibeorderError(f"{planes} planes need at least {planes} pickups; {probes} given")
    if max(abs(v) for v in runs[0].readings) == 0.0:
        raise VibeorderError("the reference run shows no shake at all; there is nothing to balance")
    for plane in range(planes):
        if all(run.weights[plane] == 0 for run in runs):
            where = f" in plane {plane + 1}" if planes > 1 else ""
            raise VibeorderError(f"the trial weight{where} is zero; put one on and run again")


def _coefficients(w: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Reading without weights [probe] and response per unit weight [probe, plane], from all runs."""
    design = np.column_stack([np.ones(len(w)), w])
    if np.linalg.matrix_rank(design / np.maximum(np.abs(design).max(axis=0), 1e-300)) < design.shape[1]:
        raise VibeorderError(
            "the trial runs do not tell the planes apart: the same weights in the same places; move one "
            "plane's weight and run again"
        )
    solution = np.linalg.lstsq(design, y, rcond=None)[0]
    return solution[0], solution[1:].T


def _corrections(start: np.ndarray, coefficients: np.ndarray) -> np.ndarray:
    corrections: np.ndarray = -np.linalg.lstsq(coefficients, start, rcond=None)[0]
    return corrections


def _check_change(w: np.ndarray, coefficients: np.ndarray, sigma: np.ndarray) -> None:
    for plane in range(w.shape[1]):
        change = np.abs(coefficients[:, plane]) * np.abs(w[:, plane]).max()
        if np.all(change <= CHANGE_SIGMAS * math.sqrt(2.0) * sigma):
            where = f" in plane {plane + 1}" if w.shape[1] > 1 else ""
            raise VibeorderError(
                f"the trial weight{where} changed nothing beyond the readings' own error; use a heavier "
                "one, or look whether it is still on"
            )


def _errors(w: np.ndarray, y: np.ndarray, sigma: np.ndarray) -> tuple[float, ...]:
    """Standard error of each correction, per component, by moving every reading by its own error."""
    base = _corrections(*_coefficients(w, y))
    variance = np.zeros(w.shape[1])
    for at in np.ndindex(y.shape):
        for direction in (1.0, 1j):
            moved = y.copy()
            step = 1e-3 * max(float(sigma[at]), 1e-300)
            moved[at] += direction * step
            shift = (_corrections(*_coefficients(w, moved)) - base) / step * sigma[at]
            variance += np.abs(shift) ** 2 / 2.0
    return tuple(np.sqrt(variance).tolist())


def _notes(
    runs: Sequence[Run], corrections: np.ndarray, trials: Sequence[complex], coefficients: np.ndarray
) -> tuple[str, ...]:
    notes = []
    for p, (x, trial) in enumerate(zip(corrections, trials, strict=True)):
        where = f" in plane {p + 1}" if len(trials) > 1 else ""
        if abs(x) > FAR * abs(trial):
            notes.append(
                f"The correction{where} is {abs(x) / abs(trial):.0f} times the trial: fit half, run again."
            )
        if not _good_change(runs[0], coefficients[:, p] * trial):
            notes.append(
                f"The trial{where} changed little: a good one changes the amplitude by 30% or the phase by "
                "30 degrees (common practice, no source)."
            )
    return tuple(notes)


def _good_change(reference: Run, effect: np.ndarray) -> bool:
    before = np.asarray(reference.readings)
    after = before + effect
    amplitude = np.abs(np.abs(after) - np.abs(before)) >= GOOD_CHANGE * np.abs(before)
    phase = np.abs(np.angle(after * np.conj(before))) >= math.radians(GOOD_CHANGE_DEG)
    return bool(np.any(amplitude | phase))


def _angle(value: complex) -> float:
    return math.degrees(math.atan2(value.imag, value.real)) % 360.0
