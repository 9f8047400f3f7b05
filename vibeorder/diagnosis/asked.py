"""What lines say of who may be at fault, asked of many of them and then answered at once.

A hypothesis asks a hundred times, each time for the product of two short rows: alone each costs its overhead.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import (
    COMPLAINT_FROM_MPS2,
    HealthyPrior,
    LikelihoodAtScales,
    Member,
    at_fault,
    prior_of,
)

__all__ = ["Asked", "Judged", "OfOneLine"]

FloatArray = NDArray[np.float64]

Judged = Callable[[Sequence[HealthyPrior], Sequence[str]], FloatArray]
"""Log evidence of one line, its candidates healthy so and so and in these roles [shape (scales,)]."""


@dataclass(frozen=True, slots=True)
class OfOneLine:
    """A line that its members share (a `Judged`). felt_from: at each scale, as for `LikelihoodAtScales.evidence`."""

    members: tuple[int, ...]
    likelihood: LikelihoodAtScales
    felt_from: tuple[float, ...]

    def __call__(self, healthy: Sequence[HealthyPrior], roles: Sequence[str]) -> FloatArray:
        """Its log evidence."""
        return self.likelihood.evidence(self.parts(healthy, roles), self.felt_from)

    def parts(self, healthy: Sequence[HealthyPrior], roles: Sequence[str]) -> tuple[Member, ...]:
        """Its members in their roles."""
        return tuple((healthy[m], roles[m]) for m in self.members)


_Question = tuple[int, OfOneLine, tuple[Member, ...]]


class Asked:
    """Questions, and their answers once all are asked."""

    def __init__(self, scales: int) -> None:
        """scales: how many answers there are to each."""
        self._scales, self._count = scales, 0
        self._known: list[tuple[int, FloatArray]] = []
        self._sound: list[_Question] = []
        self._felt: list[_Question] = []

    def ask(self, judged: Judged, healthy: Sequence[HealthyPrior], roles: Sequence[str]) -> int:
        """Asks for judged(healthy, roles); the row in which the answer will be."""
        row = self._count
        self._count += 1
        if isinstance(judged, OfOneLine):
            parts = judged.parts(healthy, roles)
            (self._felt if at_fault(parts) else self._sound).append((row, judged, parts))
        else:
            self._known.append((row, judged(healthy, roles)))
        return row

    def answers(self) -> FloatArray:
        """Log evidence [shape (questions, scales)]."""
        out = np.empty((self._count, self._scales))
        for row, found in self._known:
            out[row] = found
        if self._sound:
            self._put(out, self._sound, [prior_of(parts, COMPLAINT_FROM_MPS2) for _, _, parts in self._sound])
        if self._felt:
            by_scale: list[FloatArray] = []
            for _, one, parts in self._felt:
                priors = {felt: prior_of(parts, felt) for felt in set(one.felt_from)}
                by_scale += [priors[felt] for felt in one.felt_from]
            self._put(out, self._felt, by_scale)
        return out

    @staticmethod
    def _put(out: FloatArray, asked: Sequence[_Question], priors: Sequence[FloatArray]) -> None:
        """Answers some questions. priors: for each one, or one for each of its scales."""
        count = len(asked)
        share = np.concatenate([one.likelihood.share for _, one, _ in asked]).reshape(count, out.shape[1], -1)
        log_most = np.concatenate([one.likelihood.log_most for _, one, _ in asked]).reshape(count, -1)
        prior = np.concatenate(priors).reshape(count, -1, share.shape[2])
        share *= prior
        out[[row for row, _, _ in asked]] = log_most + np.log(share.sum(axis=2))
