"""Log weights -> the probabilities that are printed: tempered, floored, one per (part, order)."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate

__all__ = ["Kind", "Posterior", "posterior_of"]

FloatArray = NDArray[np.float64]
Kind = Literal["logged", "given", "inferred", "audio"]

TEMPERATURE: dict[Kind, float] = {"logged": 0.9, "given": 1.2, "inferred": 12.0, "audio": 5.0}
"""Log weights are divided by this: blocks are not as independent, nor noise as Gaussian, as the model has it.
One number per kind of speed source, fitted by tests/benchmarks/calibrate.py on seeds of its own."""

FLOOR = 0.004
"""Share of the probability spread evenly: what no model foresaw."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probability of each candidate and of nothing; they sum to 1."""

    candidate: FloatArray
    nothing: float


def posterior_of(log_weight: FloatArray, candidates: Sequence[Candidate], kind: Kind) -> Posterior:
    """Probabilities from log weights of the candidates and of nothing (last)."""
    scaled = log_weight / TEMPERATURE[kind]
    p = np.exp(scaled - np.logaddexp.reduce(scaled))
    p = (1.0 - FLOOR) * p + FLOOR / (len(candidates) + 1)
    p = p / p.sum()
    return Posterior(p[:-1], float(p[-1]))
