"""Whether claims mean what they say: a reliability table over random road tests of all kinds and layouts mixed.

    python tests/benchmarks/claims.py --tests 1000 --seed-base 2600000 --json-lines c.jsonl
    python tests/benchmarks/claims.py --from c.jsonl --write docs/accuracy.md      # same tables, nothing run

Of ten drives three have a GPS speed, three one off the dash (held), two none, two are sound (held; one with the dash's
speed, one with none); of each kind three in five have a fault, as the diagnosis takes complaints to be. They
are drawn in turns, so that a campaign that is stopped has its share of every kind. No gear is told. +- is one
standard error.
"""

import argparse
import sys
from collections.abc import Callable, Sequence
from itertools import chain, pairwise
from pathlib import Path
from typing import get_args

sys.path.insert(0, str(Path(__file__).resolve().parent))

import blas  # noqa: F401
import numpy as np
from accuracy import LEAST_LOG, SURE, kept, mean_of, run, share
from common import (
    DriveKind,
    Known,
    Outcome,
    Task,
    calibration_error,
    chance_error,
    publish,
    table,
    tasks_of,
)

from vibeorder.vehicle import Layout

KINDS: tuple[tuple[Known, str, int], ...] = (
    ("gps", "GPS speed", 3),
    ("dash", "speed off the dash", 3),
    ("none", "no speed", 2),
    ("audio", "sound, speed off the dash", 1),
    ("memo", "sound, no speed", 1),
)
"""What is known, how it is called, and how many of ten drives are such."""

ANY_DRIVE: tuple[Known, ...] = ("gps", "none")
FAULTY_OF_FIVE = 3
EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0)
LEAST_IN_ROW = 10

GROUP_HEADS = (
    "road tests", "how many", "right", "mean claim", "log loss", "calibration error (by chance)",
    "claims of 90% and more: share, mean, right",
)  # fmt: skip
CLAIM_HEADS = ("claim", "how many", "mean claim", "right")


def tasks(count: int, base: int) -> list[Task]:
    """About `count` road tests, the kinds and the faulty and healthy ones in turns."""
    turns = [
        _of_kind(known, name, -(-count * share_of_ten // 10), base) for known, name, share_of_ten in KINDS
    ]
    placed = (((i + 0.5) / len(turn), n, task) for n, turn in enumerate(turns) for i, task in enumerate(turn))
    return [task for _, _, task in sorted(placed, key=lambda one: one[:2])]


def _of_kind(known: Known, name: str, count: int, base: int) -> list[Task]:
    drive: DriveKind | None = None if known in ANY_DRIVE else "steady"
    ill = iter(tasks_of(known, count, base, drive=drive, name=name))
    well = iter(tasks_of(known, count, base, drive=drive, healthy=True, name=name))
    return [next(ill if i % 5 < FAULTY_OF_FIVE else well) for i in range(count)]


def tables(outcomes: Sequence[Outcome]) -> str:
    """Calibration by kind, by layout, and claims by size."""
    groups: list[tuple[str, Callable[[Outcome], bool]]] = [
        ("all", lambda s: True),
        *((name, lambda s, name=name: s.name == name) for _, name, _ in KINDS),
        *((f"all, {layout}", lambda s, layout=layout: s.layout == layout) for layout in get_args(Layout)),
    ]
    rows = ((name, [s for s in outcomes if wanted(s)]) for name, wanted in groups)
    by_group = table(GROUP_HEADS, [group_row(name, some) for name, some in rows if len(some) >= LEAST_IN_ROW])
    by_claim = table(
        CLAIM_HEADS, chain.from_iterable(claim_row(outcomes, low, high) for low, high in pairwise(EDGES))
    )
    return f"{by_group}\n\n{by_claim}"


def group_row(name: str, some: Sequence[Outcome]) -> Sequence[str]:
    """One line of the table of kinds and layouts."""
    claimed, right = claims(some)
    given = np.array([s.given for s in some])
    sure = claimed >= SURE
    of_sure = f"{claimed[sure].mean():.1%}, {share(right[sure])}" if sure.any() else "-, -"
    return (
        name,
        str(len(some)),
        share(right),
        f"{claimed.mean():.1%}",
        mean_of(-np.log(np.maximum(given, LEAST_LOG))),
        f"{calibration_error(claimed, right):.3f} ({chance_error(claimed):.3f})",
        f"{sure.mean():.0%}, {of_sure}",
    )


def claim_row(outcomes: Sequence[Outcome], low: float, high: float) -> list[Sequence[str]]:
    """One line of the table of claims from `low` up to below `high`, or none where there is no such claim."""
    claimed, right = claims(outcomes)
    inside = (claimed >= low) & ((claimed < high) | (high == EDGES[-1]))
    if not inside.any():
        return []
    return [
        (
            f"{low:.0%} to {high:.0%}",
            str(int(inside.sum())),
            f"{claimed[inside].mean():.1%}",
            share(right[inside]),
        )
    ]


def claims(
    some: Sequence[Outcome],
) -> "tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], np.ndarray[tuple[int, ...], np.dtype[np.float64]]]":
    """What was claimed for the answer (the first suspect with its twins, or nothing), and whether it was right."""
    return np.array([s.claimed for s in some]), np.array([s.twin for s in some], float)


def main() -> None:
    """Parse the words, run, print."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--tests", type=int, default=1000)
    words.add_argument("--seed-base", type=int, default=100_000)
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--json-lines", type=Path, help="add every outcome to this file")
    words.add_argument("--from", dest="source", type=Path, help="run nothing: tables of kept outcomes")
    words.add_argument("--write", type=Path, help="put the tables between the marks of this page")
    given = words.parse_args()
    if given.source is not None:
        outcomes = kept(given.source)
    else:
        outcomes = run(tasks(given.tests, given.seed_base), given.jobs, given.json_lines)
    text = tables(outcomes)
    publish(text, given.write, "claims")


if __name__ == "__main__":
    main()
