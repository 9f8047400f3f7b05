"""How much doubt a drive is expected to leave: the mean entropy of the ranking after it, in bits.

What a drive shows is a point x in a space of evidence: under a suspect it lies about that suspect's own point m,
with unit noise, so that half the squared distance of two points is the log evidence that one expects for the
true one of the two. A suspect whose strength is not known, or which may not be felt at all, is a mixture of such
points. The expectation is taken over points drawn from every suspect, weighed so that they are a channel of
their own: each suspect's probabilities over the points sum to 1. Entropy then cannot rise in expectation,
however few points are drawn (Shannon 1948: conditioning does not increase entropy on average).
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["WORTH_BITS", "entropy_bits", "expected_entropy_bits"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

POINTS = 1200
LEAST_POINTS = 4
"""Points drawn in all, shared out by weight, and for each component at least."""

WORTH_BITS = 0.1
"""A drive expected to bring less than this is not worth the fuel."""

SEED = 1948
"""The same noise for every drive: what differs between two drives is then the drives."""

SMALLEST_SHARE = 1e-10
"""Directions that carry less than this share of the spread are rounding."""


def entropy_bits(probability: FloatArray) -> float:
    """-sum p log2 p of probabilities that sum to 1."""
    p = probability[probability > 0.0]
    return max(0.0, float(-(p * np.log2(p)).sum()))


def expected_entropy_bits(
    probability: FloatArray, owner: IntArray, share: FloatArray, gram: FloatArray
) -> float:
    """Mean entropy of the suspects' probabilities after the drive, in bits; never above that before it.

    probability: of each suspect [shape (suspects,)]. owner, share: which suspect each component belongs to, and
    its weight within it [shape (components,)]. gram: inner products of the components' points
    [shape (components, components)].
    """
    at = _coordinates(gram)
    points, weight = _points(at, probability[owner] * share)
    score = points @ at.T - 0.5 * (at**2).sum(axis=1) + np.log(np.maximum(share, 1e-300))
    score = score - score.max(axis=1, keepdims=True)
    likelihood = np.exp(score) @ (owner[:, None] == np.arange(probability.size)).astype(float)
    channel = weight[:, None] * likelihood / (likelihood @ probability)[:, None]
    channel = channel / channel.sum(axis=0)
    joint = channel * probability
    seen = joint.sum(axis=1)
    after = joint / seen[:, None]
    doubt = -(after * np.log2(np.maximum(after, 1e-300))).sum(axis=1)
    return float(min((seen * doubt).sum(), entropy_bits(probability)))


def _coordinates(gram: FloatArray) -> FloatArray:
    """Points with these inner products [shape (components, dimensions)]."""
    values, vectors = np.linalg.eigh(gram)
    kept = values > max(float(values.max()), 1e-12) * SMALLEST_SHARE
    return np.asarray(vectors[:, kept] * np.sqrt(values[kept]), float)


def _points(at: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points about every component, in pairs on either side of it, and the probability that each stands for."""
    half = np.maximum(LEAST_POINTS, np.round(POINTS * weight)).astype(int) // 2
    noise = np.random.default_rng(SEED).normal(size=(int(half.sum()), at.shape[1]))
    of = np.repeat(np.arange(half.size), half)
    each = np.repeat(weight / (2.0 * half), half)
    return np.concatenate([at[of] + noise, at[of] - noise]), np.concatenate([each, each])
