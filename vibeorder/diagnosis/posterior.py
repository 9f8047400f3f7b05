"""Log weights -> the probabilities that are printed: tempered, floored, one per (part, order)."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Kind", "Posterior", "posterior_of", "tempered"]

FloatArray = NDArray[np.float64]
Kind = Literal["logged", "given", "inferred", "audio"]

TEMPERATURE: dict[Kind, float] = {"logged": 0.9, "given": 1.2, "inferred": 4.0, "audio": 5.0}
"""Log evidence is divided by this, its prior is not: blocks are not as independent, nor noise as Gaussian, as the
model has it.
One number per kind of speed source, fitted by tests/benchmarks/calibrate.py on seeds of its own."""

LOW_RATE_HZ, LOW_RATE_TIMES = 250.0, 2.0
"""Without a speed and below so many samples a second the temperature is so many times higher: folded lines fill the
band, and real drives of sound cars at 50 to 200 Hz were blamed with the temperature that simulated ones ask for."""

FLOOR = 0.006
"""Share of the probability spread evenly: what no model foresaw."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probability of each candidate and of nothing; they sum to 1."""

    candidate: FloatArray
    nothing: float


def tempered(
    log_weight: FloatArray, log_prior: FloatArray, kind: Kind, sample_rate_hz: float = np.inf
) -> FloatArray:
    """Log weights of the candidates and of nothing (last) with their evidence, not their prior, tempered.

    log_weight: both together, against nothing; log_prior: the part that is prior.
    """
    prior = log_prior - log_prior[-1]
    slow = kind == "inferred" and sample_rate_hz < LOW_RATE_HZ
    return np.asarray((log_weight - prior) / (TEMPERATURE[kind] * (LOW_RATE_TIMES if slow else 1.0)) + prior)


def posterior_of(scaled: FloatArray) -> Posterior:
    """Probabilities from tempered log weights of the candidates and of nothing (last)."""
    p = np.exp(scaled - np.logaddexp.reduce(scaled))
    p = (1.0 - FLOOR) * p + FLOOR / scaled.size
    p = p / p.sum()
    return Posterior(p[:-1], float(p[-1]))
