"""Balancing without a phase: amplitudes with a trial weight at three or four places (the hose-clamp case).

|A_0 + a w_i| = A_i, where w_i is the trial weight as a vector and a the unknown response: circles that
should meet in one point. Least squares over the circles (Feese and Grazier, Balance This!, 33rd
Turbomachinery Symposium, 2004, p. 196), so that readings which do not meet say by how much.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibeorder.bench.vectors import circular_difference_deg
from vibeorder.errors import VibeorderError

__all__ = ["CircleBalance", "Trial", "balance_by_amplitudes"]

# How well an amplitude repeats: judgement, no source.
AMPLITUDE_RELATIVE_U = 0.03
# Circles that miss each other by more than this share of the reference do not describe one rotor.
LARGE_MISFIT = 0.10
CHANGE_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial weight (any mass unit), where it sat, and the amplitude it gave."""

    weight: float
    angle_deg: float
    amplitude: float


@dataclass(frozen=True, slots=True)
class CircleBalance:
    """correction: weight and angle for the bare shaft, with standard errors. effect: shake that the (first)
    trial weight alone makes. misfit: rms distance by which the circles miss, in the amplitude's unit.
    """

    correction: float
    correction_se: float
    angle_deg: float
    angle_se_deg: float
    effect: float
    misfit: float
    misfit_share: float
    notes: tuple[str, ...] = ()


def balance_by_amplitudes(
    reference: float, trials: Sequence[Trial], *, relative_u: float | None = None
) -> CircleBalance:
    """Correction from the reference amplitude and three or more trials at different places.

    Raises VibeorderError for two trials, a place used twice, a zero weight, or trials that changed nothing.
    """
    _check(reference, trials)
    u = (AMPLITUDE_RELATIVE_U if relative_u is None else relative_u) * max(
        reference, *(t.amplitude for t in trials)
    )
    if all(abs(t.amplitude - reference) <= CHANGE_SIGMAS * u for t in trials):
        raise VibeorderError(
            "the trial weight changed nothing at any of its places beyond the readings' own error; "
            "use a heavier one"
        )
    weights = np.array([t.weight * np.exp(1j * math.radians(t.angle_deg)) for t in trials])
    amplitudes = np.array([t.amplitude for t in trials])
    response, jacobian, residuals = _fit(reference, weights, amplitudes)
    dof = len(trials) - 2
    scatter = max(u**2, float(np.sum(residuals**2)) / dof)
    relative = _relative_errors(reference, response, weights, jacobian, scatter)
    x = -reference / response
    misfit = float(np.sqrt(np.mean(residuals**2)))
    share = misfit / reference
    notes: tuple[str, ...] = ()
    if share > LARGE_MISFIT:
        notes = (
            f"The circles miss each other by {100 * share:.0f}% of the reference: the speed or the load "
            "changed between the runs; repeat them.",
        )
    angle = math.degrees(np.angle(x)) % 360.0
    return CircleBalance(
        abs(x), abs(x) * relative, angle, min(math.degrees(relative), 360.0 / math.sqrt(12.0)),
        abs(response * trials[0].weight), misfit, share, notes,
    )  # fmt: skip


def _check(reference: float, trials: Sequence[Trial]) -> None:
    if len(trials) < 3:
        raise VibeorderError(
            f"amplitudes at {len(trials)} places leave two answers; run the trial weight at "
            f"three places, better four"
        )
    if not reference > 0.0:
        raise VibeorderError("the reference run shows no shake at all; there is nothing to balance")
    if any(t.weight == 0.0 for t in trials):
        raise VibeorderError("a trial weight is zero; put one on and run again")
    for i, a in enumerate(trials):
        for b in trials[i + 1 :]:
            if abs(circular_difference_deg(a.angle_deg, b.angle_deg)) < 5.0:
                raise VibeorderError(
                    f"the trial weight sat twice at {a.angle_deg:g} degrees; move it by a third of a turn"
                )


def _fit(
    reference: float, weights: np.ndarray, amplitudes: np.ndarray
) -> tuple[complex, np.ndarray, np.ndarray]:
    """Response per unit weight by least squares of the distances, started from the squared (linear) form."""
    from scipy.optimize import least_squares  # slow to load, needed only here

    size = float(np.abs(weights).max())
    w = weights / size
    linear = np.column_stack([np.abs(w) ** 2, 2 * reference * w.real, -2 * reference * w.imag])
    start = np.linalg.lstsq(linear, amplitudes**2 - reference**2, rcond=None)[0][1:]

    def misses(p: np.ndarray) -> np.ndarray:
        distances: np.ndarray = np.abs(reference + complex(p[0], p[1]) * w) - amplitudes
        return distances

    found = least_squares(misses, start, xtol=1e-12, ftol=1e-12, gtol=1e-12)
    response = complex(found.x[0], found.x[1])
    if abs(response) == 0.0:
        raise VibeorderError("the trial weight changed nothing; use a heavier one")
    return response / size, np.asarray(found.jac) * size, np.asarray(found.fun)


def _relative_errors(
    reference: float, response: complex, weights: np.ndarray, jacobian: np.ndarray, scatter: float
) -> float:
    """Relative standard error of the response, and so of the correction, per component.

    The trials' errors move the response a; the reference's error moves every circle and the answer -A_0/a.
    """
    normal = jacobian.T @ jacobian
    if np.linalg.cond(normal) > 1e8:
        raise VibeorderError("the trial places lie too close together; spread them round the turn")
    unit = reference + response * weights
    along = (unit / np.maximum(np.abs(unit), 1e-300)).real
    pull = np.linalg.solve(normal, jacobian.T @ along)
    from_trials = float(np.trace(np.linalg.inv(normal))) / abs(response) ** 2
    from_reference = abs(1.0 / reference + complex(pull[0], pull[1]) / response) ** 2
    return math.sqrt(scatter * (from_trials + from_reference) / 2.0)
