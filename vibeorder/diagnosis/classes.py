"""Lines -> log evidence of each source being the one at fault, and of none.

With c the source at fault every line's members have roles: at fault, excited by the fault of their part, healthy.
What all lines share is summed over: the recording's scale where it is unknown, and how lively a set of tires is.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import HealthyPrior
from vibeorder.diagnosis.asked import Asked, Judged
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.lines import Line, PairLine

__all__ = ["class_evidence", "role_of"]

FloatArray = NDArray[np.float64]

SCALE_SPREAD = 0.8
SCALE_POINTS = 9
"""Where units are unknown: sd of ln(scale) about 'road noise is 0.3 m/s^2 rms', and the points of the sum."""

OVERTONES_UP_TO = 4.01
"""Multiples of a fault's line that it makes louder in sound: the higher ones are too weak to be missed."""

TIRES_ALIKE = (-0.55, 0.0, 0.55, 1.1, 1.65)
TIRES_ALIKE_SD = 0.5
"""How much livelier than the median a whole sound set of tires may be, in ln, all its orders together, and the sd:
where one order is strong on a sound vehicle the others are too (three drives of sound vehicles, open data, show first,
second and third orders of 0.05 to 0.1 m/s^2 side by side)."""


def class_evidence(
    candidates: Sequence[Candidate],
    lines: Sequence[Line | PairLine],
    log_scale: float | None,
    count: int | None = None,
    blind: Collection[int] = (),
) -> FloatArray:
    """Log evidence for each candidate at fault, and for nothing (last) [shape (candidates + 1,)].

    log_scale: ln of (recorded units per m/s^2 on a car), None where there is no scale.
    count: only so many of them, the first, can be at fault [shape (count + 1,)]. blind: those that turn where no
    line can be read: nothing is said of them, for or against.
    """
    roles = _roles(tuple(candidates), count)
    if log_scale is not None:
        return np.asarray(_over_tires(candidates, roles, lines, np.array([log_scale]), blind)[0])
    scales = np.linspace(-2.5, 2.5, SCALE_POINTS) * SCALE_SPREAD
    log_p = _normal(scales, SCALE_SPREAD)
    return np.asarray(
        np.logaddexp.reduce(log_p[:, None] + _over_tires(candidates, roles, lines, scales, blind), axis=0)
    )


@lru_cache(maxsize=16)
def _roles(candidates: tuple[Candidate, ...], count: int | None) -> tuple[tuple[str, ...], ...]:
    """Role of each candidate where each of the first `count` is at fault: the same on every hypothesis."""
    everyone = range(len(candidates))
    return tuple(tuple(role_of(candidates, fault, other) for other in everyone) for fault in everyone[:count])


def role_of(candidates: Sequence[Candidate], fault: int, other: int) -> str:
    """'fault' itself; 'excited' for the higher orders that come with it; else 'healthy'."""
    if other == fault:
        return "fault"
    a, b = candidates[fault], candidates[other]
    multiple = b.multiple / a.multiple
    far = b.overtone_mps2 > 0.0 and multiple > OVERTONES_UP_TO
    if a.part == b.part and multiple > 1.01 and abs(multiple - round(multiple)) < 0.01 and not far:
        return "excited"
    return "healthy"


def _over_tires(
    candidates: Sequence[Candidate],
    roles: Sequence[Sequence[str]],
    lines: Sequence[Line | PairLine],
    log_scales: FloatArray,
    blind: Collection[int],
) -> FloatArray:
    """The evidence summed over how lively the tires are [shape (scales, faults + 1)]. roles: of all, each at fault."""
    tires = [any(candidates[m].part == "tire_wheel" for m in line.members) for line in lines]
    judged = [_Line(line.members, line.at_scales(log_scales)) for line in lines]
    rolling = [one for one, tire in zip(judged, tires, strict=True) if tire]
    others = [one for one, tire in zip(judged, tires, strict=True) if not tire]
    healthy, asked = [c.healthy for c in candidates], Asked(log_scales.size)
    fixed_sum = _Sum(roles, others, healthy, asked)
    levels = np.array(TIRES_ALIKE) if rolling else np.zeros(0)
    sums = [_Sum(roles, rolling, _livelier(candidates, healthy, float(g)), asked) for g in levels]
    answers = asked.answers()
    fixed = fixed_sum.of(answers)
    if rolling:
        log_p = _normal(levels, TIRES_ALIKE_SD)
        parts = [p + own.of(answers) for p, own in zip(log_p, sums, strict=True)]
        fixed = fixed + np.logaddexp.reduce(np.stack(parts), axis=0)
    read = {m for line in lines for m in line.members}
    possible = np.array([i in read for i in range(len(roles))] + [True])
    fixed = np.where(possible, fixed, -np.inf)
    unread = [i for i in blind if i < len(roles)]
    fixed[:, unread] = fixed[:, -1:]
    return fixed


def _livelier(
    candidates: Sequence[Candidate], healthy: Sequence[HealthyPrior], log_gain: float
) -> list[HealthyPrior]:
    return [
        replace(h, median_mps2=h.median_mps2 * float(np.exp(log_gain))) if c.part == "tire_wheel" else h
        for c, h in zip(candidates, healthy, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Line:
    """One line at the scales in question: the candidates that it may belong to, and what it says of their roles."""

    members: tuple[int, ...]
    evidence: Judged


class _Sum:
    """The evidence of some lines summed, with all healthy and with each at fault; asked for, and then put together."""

    def __init__(
        self,
        roles: Sequence[Sequence[str]],
        lines: Sequence[_Line],
        healthy: Sequence[HealthyPrior],
        asked: Asked,
    ) -> None:
        sound = ["healthy"] * len(healthy)
        self._faults = len(roles)
        self._base = [asked.ask(line.evidence, healthy, sound) for line in lines]
        self._changes: list[tuple[int, int, int]] = []
        at: dict[int, list[int]] = {}
        for k, line in enumerate(lines):
            for m in line.members:
                at.setdefault(m, []).append(k)
        # a line says the same of every fault that gives its members the same roles
        said: dict[tuple[int, tuple[str, ...]], int] = {}
        for fault, own in enumerate(roles):
            for k in dict.fromkeys(
                k for m, role in enumerate(own) if role != "healthy" for k in at.get(m, ())
            ):
                key = (k, tuple(own[m] for m in lines[k].members))
                if key not in said:
                    said[key] = asked.ask(lines[k].evidence, healthy, own)
                self._changes.append((fault, said[key], self._base[k]))

    def of(self, answers: FloatArray) -> FloatArray:
        """Each at fault, and nobody last [shape (scales, faults + 1)]; answers: of all that was asked."""
        out = np.zeros((self._faults + 1, answers.shape[1])) + answers[self._base].sum(axis=0)
        if self._changes:
            fault, said, base = np.array(self._changes).T
            np.add.at(out, fault, answers[said] - answers[base])
        return np.asarray(out.T)


def _normal(at: FloatArray, sd: float) -> FloatArray:
    """Log weights of a normal distribution on points, summing to one."""
    log_p = -0.5 * (at / sd) ** 2
    return np.asarray(log_p - np.logaddexp.reduce(log_p))
