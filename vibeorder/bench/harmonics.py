"""Readings round one turn as a sum of once-, twice- and thrice-a-turn waves, by least squares."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.bench.vectors import Vector
from vibeorder.errors import VibeorderError

__all__ = ["HarmonicFit", "fit_harmonics", "fitted_curve", "harmonic", "peak_to_peak", "usable_orders"]

FloatArray = NDArray[np.float64]

# Evenly spread places give a condition number of sqrt(2); at 15 one unit of reading error has become ten
# of wobble, and the answer would be the error's.
MAX_CONDITION = 15.0
HIGHEST_ORDER = 3


@dataclass(frozen=True, slots=True)
class HarmonicFit:
    """coefficients: mean, then a_k, b_k of a_k cos(k t) + b_k sin(k t), k = 1..orders, in metres.

    covariance: of the coefficients [m^2]. residuals_m: reading - fit. leverages: diagonal of the hat matrix.
    chi2: sum of (residual / u)^2 with `dof` degrees of freedom.
    """

    orders: int
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residuals_m: tuple[float, ...]
    leverages: tuple[float, ...]
    chi2: float
    dof: int


def usable_orders(angles_rad: Sequence[float], spare: int = 1) -> int:
    """How many harmonics these places can carry, keeping `spare` readings over to judge the fit.

    Raises VibeorderError where the places bunch so that not even the first can be told from the mean.
    """
    top = min(HIGHEST_ORDER, (len(angles_rad) - 1 - spare) // 2)
    for orders in range(top, 0, -1):
        if np.linalg.cond(_design(np.asarray(angles_rad), orders)) <= MAX_CONDITION:
            return orders
    if top < 1:
        return 0
    raise VibeorderError(
        "the places bunch together on one side of the turn; spread them evenly round it and read again"
    )


def fit_harmonics(
    angles_rad: Sequence[float], readings_m: Sequence[float], u_m: float | Sequence[float], orders: int
) -> HarmonicFit:
    """Weighted least squares; u_m is the standard uncertainty of a reading, one for all or one each [m].

    (X^T W X) c = X^T W r, covariance (X^T W X)^-1, enlarged by chi2/dof where the fit is worse than u_m
    says (R. T. Birge, Phys. Rev. 40 (1932) 207: value from memory): shape that three waves cannot follow
    must not make the high spot look surer than it is.
    """
    angles, readings = np.asarray(angles_rad, float), np.asarray(readings_m, float)
    u = np.broadcast_to(np.asarray(u_m, float), readings.shape)
    x = _design(angles, orders)
    q, r = np.linalg.qr(x / u[:, None])
    coefficients = np.linalg.solve(r, q.T @ (readings / u))
    residuals = readings - x @ coefficients
    dof = len(readings) - x.shape[1]
    chi2 = float(np.sum((residuals / u) ** 2))
    inverse = np.linalg.inv(r)
    covariance = inverse @ inverse.T * (max(1.0, chi2 / dof) if dof > 0 else 1.0)
    return HarmonicFit(
        orders,
        tuple(coefficients.tolist()),
        tuple(tuple(row) for row in covariance.tolist()),
        tuple(residuals.tolist()),
        tuple(np.sum(q**2, axis=1).tolist()),
        chi2,
        dof,
    )


def harmonic(fit: HarmonicFit, order: int) -> Vector:
    """The wave of that order: length is its amplitude [m]; its first high spot sits at angle_deg / order."""
    i = 2 * order - 1
    c = fit.covariance
    return Vector(fit.coefficients[i], fit.coefficients[i + 1], c[i][i], c[i + 1][i + 1], c[i][i + 1])


def fitted_curve(fit: HarmonicFit, angles_rad: FloatArray) -> FloatArray:
    """The fitted reading at any angle [m]."""
    curve: FloatArray = _design(angles_rad, fit.orders) @ np.asarray(fit.coefficients)
    return curve


def peak_to_peak(fit: HarmonicFit) -> float:
    """Highest minus lowest of the fitted curve over the whole turn [m], sampled every half degree."""
    curve = fitted_curve(fit, np.arange(0.0, 2.0 * math.pi, math.pi / 360.0))
    return float(curve.max() - curve.min())


def _design(angles_rad: FloatArray, orders: int) -> FloatArray:
    waves = [f(k * angles_rad) for k in range(1, orders + 1) for f in (np.cos, np.sin)]
    return np.column_stack([np.ones_like(angles_rad), *waves])
