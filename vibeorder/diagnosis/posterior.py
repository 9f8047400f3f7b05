"""Log weights -> the probabilities that are printed: tempered, floored, one per (part, order)."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["UNNAMED_TEMPERATURE", "Kind", "Posterior", "floor_of", "posterior_of", "prior_in_use", "tempered"]

FloatArray = NDArray[np.float64]
Kind = Literal["logged", "given", "inferred", "audio", "memo"]

TEMPERATURE: dict[Kind, float] = {"logged": 0.85, "given": 1.0, "inferred": 2.0, "audio": 2.0, "memo": 3.0}
"""Log evidence is divided by this, its prior is not: blocks are not as independent, nor noise as Gaussian, as the
model has it.
One number per kind of speed source ("audio": sound, or a log without a scale, with a speed; "memo": without), fitted
by tests/benchmarks/calibrate.py on seeds of its own; of a logged and a said speed between the best of the simulator's
drives (0.7, 0.8) and that of the outside world's (1.0, 1.5)."""

UNNAMED_TEMPERATURE: dict[Kind, float] = {"inferred": 1.0, "memo": 2.0}
"""Where names are guessed, for want of a speed, that something is at fault is still read off how strong a line is,
whatever its name: the evidence for a fault, all names together, is divided by this instead. Fitted by nospeed.py's kept
outcomes, seeds below 80000; of sound by calibrate.py, seeds from 1880000 up."""

UNNAMED_GAIN: dict[Kind, float] = {"inferred": 1.0}
"""Log odds by which the weights say too little of there being a fault where no speed was told: 'nothing' takes the best
of a sound vehicle's lines over as many courses as a fault does, and a line of no part besides. Fitted by nospeed.py,
sweeps of either world from 61000 and, healthy, from 91000 up: three in five faulty, the log loss of 'nothing' falls
from 0.16 to 0.11, and one healthy drive of 120 is more likely faulty than not; at 2, where it is least, five are."""

FLOOR = 0.006
FLOORS: dict[Kind, float] = {"inferred": 0.04}
"""Share of the probability spread evenly: what no model foresaw; and where it is another. Without a speed the true name
is not always among those that are weighed, however clear the best of them is: fitted by calibrate.py, 240 drives from
6700000 up (log loss 0.681 at 0.006, 0.647 at 0.04, 0.645 at 0.06; calibration error 0.052, 0.031, 0.034)."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probability of each candidate and of nothing; they sum to 1."""

    candidate: FloatArray
    nothing: float


def tempered(
    log_weight: FloatArray, log_prior: FloatArray, kind: Kind, temperature: float | None = None
) -> FloatArray:
    """Log weights of the candidates and of nothing (last) with their evidence, not their prior, tempered.

    log_weight: both together, against nothing; log_prior: the part that is prior. temperature: another than the
    kind's own.
    """
    prior = log_prior - log_prior[-1]
    evidence = log_weight - prior
    scaled = np.asarray(evidence / (temperature or TEMPERATURE[kind]) + prior)
    if kind in UNNAMED_TEMPERATURE:
        fault = np.logaddexp.reduce(evidence[:-1] / UNNAMED_TEMPERATURE[kind] + prior[:-1])
        told_apart = evidence[:-1][np.isfinite(evidence[:-1])]
        fault += UNNAMED_GAIN.get(kind, 0.0) * -np.expm1(-np.ptp(told_apart)) if told_apart.size else 0.0
        scaled[:-1] += fault - np.logaddexp.reduce(scaled[:-1])
    return scaled


def prior_in_use(log_prior: FloatArray, kind: Kind) -> FloatArray:
    """Log prior of the candidates and of nothing (last) as the probabilities come to have it; its shares sum to 1."""
    raised = np.append(log_prior[:-1] + UNNAMED_GAIN.get(kind, 0.0), log_prior[-1])
    return np.asarray(raised - np.logaddexp.reduce(raised))


def floor_of(kind: Kind) -> float:
    """Share of the probability that is spread evenly."""
    return FLOORS.get(kind, FLOOR)


def posterior_of(scaled: FloatArray, kind: Kind) -> Posterior:
    """Probabilities from tempered log weights of the candidates and of nothing (last)."""
    p, floor = np.exp(scaled - np.logaddexp.reduce(scaled)), floor_of(kind)
    p = (1.0 - floor) * p + floor / scaled.size
    p = p / p.sum()
    return Posterior(p[:-1], float(p[-1]))
