"""Fit the temperatures and the floor that turn log weights into probabilities: prints them for posterior.py.

    python tests/benchmarks/calibrate.py --tests 200 --keep weights.jsonl
    python tests/benchmarks/calibrate.py --from weights.jsonl          # fit again, nothing run

Seeds from 20000 up, kept apart from those of accuracy.py. Two drives in five are healthy, as NOTHING_PRIOR
has it. What is minimised is the mean of -ln P(fault and what coincides with it), or -ln P(nothing).
"""

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import get_args

sys.path.insert(0, str(Path(__file__).resolve().parent))

import blas  # noqa: F401
import numpy as np
from common import (
    Known,
    Task,
    calibration_error,
    chance_error,
    draw,
    each,
    known_gear,
    table,
    tasks_of,
    told_speed,
)
from numpy.typing import NDArray

from vibeorder.diagnosis import posterior, told, weigh
from vibeorder.diagnosis.posterior import Kind
from vibeorder.simulate import as_recording, truth_group

FloatArray = NDArray[np.float64]

SEED_BASE = 20_000
HEALTHY_SHARE = 0.4
FLOORS = (0.001, 0.002, 0.003, 0.004, 0.006, 0.008, 0.012, 0.016, 0.024, 0.032, 0.04, 0.048, 0.064)
COLDEST, HOTTEST = 0.3, 30.0
RESAMPLES = 40


@dataclass(frozen=True, slots=True)
class Drawn:
    """One judged road test before its weights are made probabilities.

    log_evidence, log_prior: of every candidate, then of nothing. key: the suspect each belongs to, by number;
    nothing's is the last. truth: the suspects that are the fault or coincide with it (nothing, where healthy).
    twins: for each suspect those that it was said to be indistinct from, itself included.
    """

    seed: int
    kind: Kind
    log_evidence: tuple[float, ...]
    log_prior: tuple[float, ...]
    key: tuple[int, ...]
    truth: tuple[int, ...]
    twins: tuple[tuple[int, ...], ...]


def weigh_task(task: Task) -> Drawn:
    """Judge one road test and keep its log weights."""
    test = draw(task)
    weighed = weigh(
        as_recording(test),
        test.vehicle,
        told_speed(task, test),
        known_gear(task, test),
    )
    found = told(weighed)
    candidates = weighed.pieces[0].judgement.candidates
    number = {key: i for i, key in enumerate(dict.fromkeys(c.key for c in candidates))}
    twins = {number[s.part, s.order]: [number[k] for k in s.indistinct_from] for s in found.suspects}
    truth = [number[k] for k in truth_group(test) if k in number] if test.truth.fault else [len(number)]
    prior = weighed.log_prior - weighed.log_prior[-1]
    return Drawn(
        task.seed,
        weighed.kind,
        tuple(float(w) for w in weighed.log_odds - prior),
        tuple(float(w) for w in prior),
        (*(number[c.key] for c in candidates), len(number)),
        tuple(truth),
        tuple(tuple(sorted({i, *twins[i]})) for i in range(len(number))),
    )


def suspect_log_p(one: Drawn, temperature: float, floor: float) -> FloatArray:
    """Log probability of each suspect, then of nothing, as posterior_of makes it."""
    prior = np.array(one.log_prior)
    scaled = posterior.tempered(np.array(one.log_evidence) + prior, prior, one.kind, temperature)
    p = np.exp(scaled - np.logaddexp.reduce(scaled))
    p = (1.0 - floor) * p + floor / p.size
    return np.log(np.bincount(one.key, p / p.sum()))


def losses(some: Sequence[Drawn], temperature: float, floor: float) -> FloatArray:
    """-ln P(truth) of each road test."""
    return np.array(
        [-np.logaddexp.reduce(suspect_log_p(one, temperature, floor)[list(one.truth)]) for one in some]
    )


def claims(some: Sequence[Drawn], temperature: float, floor: float) -> tuple[FloatArray, FloatArray]:
    """What is claimed for the answer (first suspect with its twins, or nothing), and whether it is right."""
    claimed, right = [], []
    for one in some:
        p = np.exp(suspect_log_p(one, temperature, floor))
        group = list(one.twins[int(np.argmax(p[:-1]))])
        if p[group].sum() <= p[-1]:
            group = [p.size - 1]
        claimed.append(min(float(p[group].sum()), 1.0))
        right.append(float(bool(set(group) & set(one.truth))))
    return np.array(claimed), np.array(right)


def fit_temperature(some: Sequence[Drawn], floor: float) -> float:
    """The temperature of least log loss at a floor."""
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(
        lambda t: float(losses(some, float(np.exp(t)), floor).mean()),
        bounds=(np.log(COLDEST), np.log(HOTTEST)),
        method="bounded",
        options={"xatol": 0.005},
    )
    return float(np.exp(found.x))


def doubt_of(some: Sequence[Drawn], floor: float) -> float:
    """Standard error of ln(temperature), by resampling the road tests."""
    rng = np.random.default_rng(1)
    fits = [
        np.log(fit_temperature([some[i] for i in rng.integers(0, len(some), len(some))], floor))
        for _ in range(RESAMPLES)
    ]
    return float(np.std(fits, ddof=1))


def report(weighed: Sequence[Drawn]) -> str:
    """The constants, and what they change."""
    kinds: dict[Kind, list[Drawn]] = {}
    for one in weighed:
        kinds.setdefault(one.kind, []).append(one)
    at = {floor: {k: fit_temperature(some, floor) for k, some in kinds.items()} for floor in FLOORS}
    best = min(FLOORS, key=lambda f: sum(losses(some, at[f][k], f).sum() for k, some in kinds.items()))
    heads = ("kind", "road tests", "constants", "temperature", "floor", "log loss", "calibration error (by chance)",
             "claims of 90% and more: share, right")  # fmt: skip
    rows = []
    for kind, some in kinds.items():
        now, floor = posterior.TEMPERATURE[kind], posterior.floor_of(kind)
        beside = at[floor][kind] if floor in at else fit_temperature(some, floor)
        rows.append(_row(kind, some, "as they are", now, floor))
        rows.append(_row(kind, some, "temperature fitted", beside, floor, doubt_of(some, floor)))
        rows.append(_row(kind, some, "both fitted", at[best][kind], best))
    fitted = ", ".join(f'"{kind}": {at[best][kind]:.2g}' for kind in kinds)
    return f"{table(heads, rows)}\n\nTEMPERATURE = {{{fitted}}}\nFLOOR = {best}"


def _row(
    kind: str,
    some: Sequence[Drawn],
    what: str,
    temperature: float,
    floor: float,
    doubt: float | None = None,
) -> Sequence[str]:
    claimed, right = claims(some, temperature, floor)
    loss = losses(some, temperature, floor)
    sure = claimed >= 0.9
    spread = "" if doubt is None else f" (x or / {np.exp(doubt):.2f})"
    return (
        kind,
        str(len(some)),
        what,
        f"{temperature:.2f}{spread}",
        f"{floor:g}",
        f"{loss.mean():.3f} +- {loss.std() / np.sqrt(loss.size):.3f}",
        f"{calibration_error(claimed, right):.3f} ({chance_error(claimed):.3f})",
        f"{sure.mean():.0%}, {right[sure].mean():.1%}" if sure.any() else "0%, -",
    )


def all_tasks(kinds: Sequence[Known], count: int, base: int) -> list[Task]:
    """`count` road tests of each kind, two in five healthy; a dash speed or sound is told at held speed only."""
    sound = round(HEALTHY_SHARE * count)
    return [
        task
        for known in kinds
        for healthy, n in ((False, count - sound), (True, sound))
        for task in tasks_of(
            known, n, base, healthy=healthy, drive="steady" if known in ("dash", "audio", "memo") else None
        )
    ]


def main() -> None:
    """Parse the words, weigh, fit, print."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--kind", choices=get_args(Known), action="append", help="default: all")
    words.add_argument("--tests", type=int, default=200, help="of each kind")
    words.add_argument("--seed-base", type=int, default=SEED_BASE)
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--keep", type=Path, help="add the log weights to this file as they come")
    words.add_argument("--from", dest="source", type=Path, help="run nothing: fit kept log weights")
    given = words.parse_args()
    if given.source is not None:
        with given.source.open(encoding="utf-8") as file:
            weighed = [Drawn(**json.loads(line)) for line in file if line.strip()]
    else:
        weighed = []
        for one in each(
            weigh_task, all_tasks(given.kind or get_args(Known), given.tests, given.seed_base), given.jobs
        ):
            weighed.append(one)
            if given.keep is not None:
                with given.keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(one)) + "\n")
    print(report(weighed))


if __name__ == "__main__":
    main()
