"""What strength a line has when nothing is wrong, and when it is what the customer feels.

Two questions stay apart: 'which part is this line' and 'is it a complaint'. The first is answered by the
tracks; the second by these amplitude priors. All are orders of magnitude (common practice, no source), and
each is one named constant.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.evidence import AMPLITUDES

__all__ = [
    "COMMERCIAL_RIDE",
    "COMPLAINT_FROM_MPS2",
    "HealthyPrior",
    "LikelihoodAtScales",
    "Member",
    "at_fault",
    "both_at",
    "complaint_from",
    "likelihood_at",
    "line_evidence",
    "log_prior_of",
    "log_prior_together",
    "one_digit",
    "prior_of",
]

FloatArray = NDArray[np.float64]

COMPLAINT_FROM_MPS2 = 0.083
"""Vector rms from which a line is plausibly what a driver complains of: perception begins near 0.015 m/s^2
peak (ISO 2631-1:1997 Annex C, as reproduced in secondary sources), complaints lie several times higher."""

MASKED_SHARE = 0.35
"""A line below this share of the noise in the third of an octave about it (both vector rms) is masked by the road's
own shake there; the share is a judgement, no source."""

COMMERCIAL_RIDE = 1.5
"""How many times as strongly as a car a sound bus or heavy truck shakes, and as strong a line its driver complains of:
the order of surveys of vibration on the seats of road vehicles (Paddan and Griffin 2002, from memory)."""

COMPLAINT_UP_TO_MPS2 = 1.5
COMPLAINT_EDGE = 0.1
"""Softness of both edges, in ln(amplitude)."""

COMPLAINT_BEYOND = 0.05
"""How likely a strength beyond the upper edge is, against one below it: a violent shake, a loose phone, a wrong unit.
It is a complaint for all that."""

EXCITED_TIMES, EXCITED_SHARE = 2.5, 0.6
"""How much stronger than in a healthy vehicle the higher orders of a part are when its first order is at fault,
and how often they are: a bent part is never a pure sine."""

OVERTONE_LOG_SD = 1.0
"""Sd of the ln of what a fault adds to a higher order in sound."""

HEALTHY_UP_TO = 0.9965
"""Share of the log-normal of healthy strengths that is kept: what lies 2.7 sd above its median nobody calls sound."""

STRAY_SHARE, STRAY_MPS2, STRAY_LOG_SD = 0.03, 0.035, 0.5
"""How often something that no model names (a joint of the road, a hump of the noise, a part not in the catalogue)
stands in a line's place, and how strong it then is: weaker than a complaint, stronger than many healthy lines."""

EACH: FloatArray = np.concatenate([[0.0], AMPLITUDES])
LOG_BOTH: FloatArray = np.log(np.maximum(np.hypot(EACH[:, None], EACH), 1e-9))
"""ln of what two lines make together, each absent or of any strength."""

DRAWS = 4000
STRAY_SEEDS = 1000
FLOOR = 0.01
"""Pseudo-count that keeps an unlikely strength possible."""


@dataclass(frozen=True, slots=True)
class HealthyPrior:
    """Strength of one source's line on a healthy vehicle: there with probability `presence`, log-normal.

    overtone_mps2: median of what a fault of the part adds as an overtone, where it is heard; 0 where it is felt.
    strays: whether something that no model names may stand in its place.
    """

    presence: float
    median_mps2: float
    log_sd: float
    overtone_mps2: float = 0.0
    strays: bool = True


Member = tuple[HealthyPrior, str]
"""A source in a cluster of coinciding lines, and its role: 'healthy', 'fault' or 'excited'."""


def at_fault(members: Sequence[Member]) -> bool:
    """Whether one of them is at fault: of all others nobody asks from what strength they are felt."""
    return any(role == "fault" for _, role in members)


def one_digit(rms: float) -> float:
    """A strength to expect, rounded so that the priors made from it can be kept."""
    return float(f"{rms:.1g}")


def complaint_from(band_noise_rms: float) -> float:
    """Strength from which a line is plausibly a complaint over so much noise in the third of an octave about it.

    A line that is a small part of what the road does at its own frequency is not what anybody notices. Two digits,
    so that the priors made from it can be kept.
    """
    return float(f"{max(COMPLAINT_FROM_MPS2, MASKED_SHARE * band_noise_rms):.2g}")


def line_evidence(
    log_likelihood: FloatArray,
    members: Sequence[Member],
    log_scale: float = 0.0,
    felt_from: float = COMPLAINT_FROM_MPS2,
) -> float:
    """Log evidence of the line that `members` share, their powers added, their strengths unknown.

    log_likelihood: log L(a) on AMPLITUDES. log_scale: ln of (recorded units per m/s^2) where that is unknown.
    """
    likelihood = likelihood_at(log_likelihood, np.array([log_scale]))
    return float(likelihood.evidence(members, [felt_from])[0])


@dataclass(frozen=True, slots=True)
class LikelihoodAtScales:
    """Likelihood of (absent, AMPLITUDES in m/s^2) of one line, whatever its recording's scale is.

    log_most: ln of the greatest at each scale [shape (scales,)]; share: all over it [shape (scales, 1 + amplitudes)].
    """

    log_most: FloatArray
    share: FloatArray

    def evidence(self, members: Sequence[Member], felt_from: Sequence[float]) -> FloatArray:
        """Log evidence of the line that `members` share, at each scale with its own `felt_from` [shape (scales,)]."""
        if not at_fault(members):
            return np.asarray(
                self.log_most + np.log(self.share @ prior_of(tuple(members), COMPLAINT_FROM_MPS2))
            )
        priors = {felt: prior_of(tuple(members), felt) for felt in set(felt_from)}
        prior = np.stack([priors[felt] for felt in felt_from])
        return np.asarray(self.log_most + np.log((self.share * prior).sum(axis=1)))


def likelihood_at(log_likelihood: FloatArray, log_scales: FloatArray) -> LikelihoodAtScales:
    """log_likelihood: log L(a) on AMPLITUDES of the recording's own unit; log_scales: as for `line_evidence`."""
    found = at_scales(log_likelihood, log_scales)
    both = np.concatenate([np.zeros((log_scales.size, 1)), found], axis=1)
    log_most = both.max(axis=1)
    return LikelihoodAtScales(log_most, np.exp(both - log_most[:, None]))


def at_scales(log_likelihood: FloatArray, log_scales: FloatArray) -> FloatArray:
    """log L of AMPLITUDES in m/s^2, read at each scale [shape (scales, amplitudes)]."""
    if log_scales.size == 1 and log_scales[0] == 0.0:
        return log_likelihood[None]
    grid = np.log(AMPLITUDES)
    return np.interp(
        grid + log_scales[:, None], grid, log_likelihood, left=0.0, right=float(log_likelihood[-1])
    )


def both_at(log_likelihood: FloatArray, log_scale: float) -> FloatArray:
    """log L of two lines in one place, where their powers add, each (absent, AMPLITUDES...) in m/s^2 [shape both]."""
    return np.interp(LOG_BOTH + log_scale, np.log(AMPLITUDES), log_likelihood, left=0.0)


def log_prior_of(member: Member, felt_from: float = COMPLAINT_FROM_MPS2) -> FloatArray:
    """Log prior of (absent, AMPLITUDES...) of one source in its role."""
    return np.log(prior_of((member,), felt_from))


def log_prior_together(members: Sequence[Member], felt_from: float = COMPLAINT_FROM_MPS2) -> FloatArray:
    """Log prior of (absent, AMPLITUDES...) of what several sources in their roles make, their powers added."""
    # without a fault nothing is felt: one prior is kept, from whatever strength
    return np.log(prior_of(tuple(members), felt_from if at_fault(members) else COMPLAINT_FROM_MPS2))


@lru_cache(maxsize=16384)
def prior_of(members: tuple[Member, ...], felt_from: float) -> FloatArray:
    """Prior of (absent, AMPLITUDES...) of what several sources in their roles make together."""
    total = np.sqrt(
        sum(
            (
                (_complaints(seed, felt_from) if role == "fault" else _sound(prior, role, seed)) ** 2
                for seed, (prior, role) in enumerate(members)
            ),
            np.zeros(DRAWS),
        )
    )
    log_grid = np.log(AMPLITUDES)
    edges = np.concatenate([[log_grid[0] - 0.3], 0.5 * (log_grid[1:] + log_grid[:-1]), [np.inf]])
    absent = np.log(total + 1e-12) < edges[0]
    counts = np.histogram(np.log(total[~absent]), edges)[0] + FLOOR
    return np.concatenate([[absent.sum() + FLOOR], counts]) / (DRAWS + FLOOR * (counts.size + 1))


@lru_cache(maxsize=64)
def _levels(seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Evenly spread quantiles, shuffled three times by a fixed seed, so that members are independent."""
    generator = np.random.default_rng(seed)
    even = (np.arange(DRAWS) + 0.5) / DRAWS
    return generator.permutation(even), generator.permutation(even), generator.permutation(even)


@lru_cache(maxsize=1024)
def _complaints(seed: int, felt_from: float) -> FloatArray:
    return _complaint_quantile(_levels(seed)[0], felt_from)


@lru_cache(maxsize=4096)
def _sound(prior: HealthyPrior, role: str, seed: int) -> FloatArray:
    """Strengths of a healthy line, or of one excited by the fault of its part."""
    from scipy.special import ndtri

    level, there, excited = _levels(seed)
    strength = prior.median_mps2 * np.exp(prior.log_sd * ndtri(HEALTHY_UP_TO * level))
    healthy = np.where(there < prior.presence, strength, 0.0)
    if role != "healthy":
        healthy = np.where(excited < EXCITED_SHARE, EXCITED_TIMES * healthy, healthy)
        if prior.overtone_mps2:
            loud = prior.overtone_mps2 * np.exp(OVERTONE_LOG_SD * ndtri(_levels(seed + 2 * STRAY_SEEDS)[0]))
            healthy = np.where(excited < EXCITED_SHARE, np.hypot(healthy, loud), healthy)
    return np.hypot(healthy, _stray(seed)) if prior.strays else healthy


@lru_cache(maxsize=64)
def _stray(seed: int) -> FloatArray:
    """Strengths of what stands in a line's place without being the part's."""
    from scipy.special import ndtri

    there, level, _ = _levels(seed + STRAY_SEEDS)
    return np.where(there < STRAY_SHARE, STRAY_MPS2 * np.exp(STRAY_LOG_SD * ndtri(level)), 0.0)


def _complaint_quantile(level: FloatArray, felt_from: float) -> FloatArray:
    log_a = np.linspace(np.log(0.01), np.log(4.0), 800)
    rise = 1.0 / (1.0 + np.exp(-(log_a - np.log(felt_from)) / COMPLAINT_EDGE))
    fall = 1.0 / (1.0 + np.exp((log_a - np.log(COMPLAINT_UP_TO_MPS2)) / COMPLAINT_EDGE))
    share = np.cumsum(rise * np.maximum(fall, COMPLAINT_BEYOND))
    return np.asarray(np.exp(np.interp(level, share / share[-1], log_a)))
