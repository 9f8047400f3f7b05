"""Sources that this recording cannot tell apart.

Two kinds: lines that coincide on the best hypothesis (one rate, or rates closer than the resolution), and one
physical line that two sources would explain nearly as well on different hypotheses (another gear, another
scale of the speed).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.judge import Hypothesis, Judgement
from vibeorder.diagnosis.lines import Line, PairLine
from vibeorder.diagnosis.posterior import Kind
from vibeorder.diagnosis.signal import folded

__all__ = [
    "AS_GOOD",
    "AS_GOOD_UNTOLD",
    "indistinct_pairs",
    "on_one_line",
    "one_rate",
    "readings_of",
    "seen_hz",
    "still_standing",
]

AS_GOOD = float(np.log(6.0))
"""Two explanations of one line within this of each other (log, tempered) are both standing."""

AS_GOOD_UNTOLD = float(np.log(20.0))
"""Likewise where no speed was told: what tells names apart there is how strong a sound vehicle's other lines are, which
differ from one to the next, so strong evidence is asked for (Kass & Raftery 1995: 3 to 20 times is positive, 20 to
150 strong)."""

NEVER = -1e6
"""Log weight of what was not judged at all."""

MOSTLY = 0.5
"""Two lines are one where hypotheses with more than this share of the weight put them in one place."""

SAME_RATIO = 0.001
SAME_LINE_SHARE = 0.004
SAME_LINE_HZ = 0.3
"""Two candidates measured nearer than this look at one physical line."""


def still_standing(kind: Kind) -> float:
    """How far apart (log, tempered) two explanations may be that both stand, for a kind of speed source."""
    return AS_GOOD_UNTOLD if kind in ("inferred", "memo") else AS_GOOD


def indistinct_pairs(
    judgement: Judgement, log_weight: NDArray[np.float64], sample_rate_hz: float, kind: Kind
) -> set[tuple[int, int]]:
    """Pairs (i, j), i < j, of candidates that this recording cannot separate. log_weight: tempered."""
    within = still_standing(kind)
    count = len(judgement.candidates)
    log_weight = np.maximum(log_weight, NEVER)
    top = int(np.argmax(log_weight))
    pairs = set()
    best = [judgement.best_for(i) for i in range(count)]
    for i in range(count):
        for j in range(i + 1, count):
            as_good = abs(log_weight[i] - log_weight[j]) < within
            standing = max(log_weight[i], log_weight[j]) > log_weight[top] - within
            lead = i if log_weight[i] >= log_weight[j] else j
            if one_rate(judgement, i, j) or _together(judgement, lead, i, j) > MOSTLY:
                pairs.add((i, j))
            elif as_good and standing:
                a, b = (seen_hz(best[k], k, sample_rate_hz) for k in (i, j))
                if on_one_line(a, b):
                    pairs.add((i, j))
    return pairs


def one_rate(judgement: Judgement, i: int, j: int) -> bool:
    """Whether two sources run at one rate whatever the drive: wheel and half-shaft, driveshafts of equal ratio."""
    a, b = judgement.candidates[i], judgement.candidates[j]
    return a.basis == b.basis and abs(a.multiple / b.multiple - 1.0) < SAME_RATIO


def _together(judgement: Judgement, lead: int, i: int, j: int) -> float:
    """Share of what speaks for `lead` that comes from hypotheses on which i and j run on one line."""
    weight = np.array([h.log_class[lead] for h in judgement.hypotheses])
    if not np.isfinite(weight).any():
        return 0.0
    weight = np.exp(weight - weight.max())
    shared = np.array([_coincide(h, i, j) for h in judgement.hypotheses])
    return float(weight[shared].sum() / weight.sum())


def _coincide(hypothesis: Hypothesis, i: int, j: int) -> bool:
    return any(line.coincide(i, j) for line in hypothesis.lines)


def on_one_line(a_hz: float | None, b_hz: float | None) -> bool:
    """Whether two candidates seen there look at one physical line; None: not seen."""
    if a_hz is None or b_hz is None:
        return False
    return abs(a_hz - b_hz) < max(SAME_LINE_HZ, SAME_LINE_SHARE * a_hz)


def seen_hz(hypothesis: Hypothesis, index: int, sample_rate_hz: float) -> float | None:
    """Where a candidate's line shows on a hypothesis, folded; None where it was not read."""
    for reading in readings_of(hypothesis.lines, index):
        return float(folded(np.array([reading.frequency_hz]), sample_rate_hz)[0])
    return None


def readings_of(lines: Sequence[Line | PairLine], index: int) -> list[Reading]:
    """The reading of one candidate on a hypothesis, in a list of none or one."""
    return next(([line.reading_of(index)] for line in lines if index in line.members), [])
