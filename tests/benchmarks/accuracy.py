"""How often the first suspect is right, and whether the probabilities mean what they say, on simulated road tests.

    python tests/benchmarks/accuracy.py --kind gps --tests 300
    python tests/benchmarks/accuracy.py --all --write docs/accuracy.md

Seeds from 100000 up are kept for this; tuning used seeds below 50000.
"""

import argparse
import os
import re
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: two processes share two cores

import numpy as np
from world import random_road_test

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.simulate import RoadTest, as_recording, truth_group
from vibeorder.speed.given import SpeedGiven, parse_speed_given

SEED_BASE = 100_000
Kind = Literal["gps", "dash", "none", "audio"]


@dataclass(frozen=True, slots=True)
class Task:
    """One road test to draw and judge."""

    seed: int
    kind: Kind
    drive: Literal["steady", "sweep"] | None
    healthy: bool
    gear_known: bool


@dataclass(frozen=True, slots=True)
class Score:
    """What came out. right: first suspect coincides with the fault; twin: or is said to be indistinct from it.

    given: probability of the fault and what coincides with it (of nothing, where healthy). claimed: probability of
    the first suspect with its twins. blamed: the group of the first suspect has more than half.
    """

    kind: str
    drive: str
    rate_hz: float
    layout: str
    strength: float
    right: bool
    twin: bool
    given: float
    claimed: float
    nothing: float
    blamed: bool
    seconds: float


def run(task: Task) -> Score:
    """Draw and judge one road test."""
    sensor: Literal["acceleration", "audio"] = "audio" if task.kind == "audio" else "acceleration"
    test = random_road_test(
        task.seed,
        "gps" if task.kind == "gps" else "dash",
        drive=task.drive,
        healthy=task.healthy,
        sensor=sensor,
    )
    recording = as_recording(test)
    gears = {int(g) for g in test.truth.gear}
    gear = gears.pop() if task.gear_known and len(gears) == 1 and test.vehicle.gears else None
    began = time.perf_counter()
    found = diagnose(recording, test.vehicle, speed=_speed(task.kind, test), gear=gear or None)
    return _score(task, test, found, time.perf_counter() - began)


def _speed(kind: Kind, test: RoadTest) -> SpeedGiven | None:
    return parse_speed_given(test.dash_text) if kind in ("dash", "audio") else None


def _score(task: Task, test: RoadTest, found: Diagnosis, seconds: float) -> Score:
    fault = test.truth.fault
    truth = set(truth_group(test)) if fault else set()
    top = found.suspects[0]
    group = [s for s in found.suspects if s is top or (s.part, s.order) in top.indistinct_from]
    claimed = sum(s.probability for s in group)
    nothing = found.nothing_found_probability
    if fault is None:
        right = twin = nothing > claimed
        given = nothing
    else:
        named = nothing < claimed
        right = named and (top.part, top.order) in truth
        twin = named and any((s.part, s.order) in truth for s in group)
        given = sum(s.probability for s in found.suspects if (s.part, s.order) in truth)
    return Score(
        task.kind,
        test.scenario.drive.kind,
        test.scenario.rate_hz,
        test.vehicle.layout,
        0.0 if fault is None else fault.rms_mps2,
        right,
        twin,
        given,
        max(claimed, nothing),
        nothing,
        claimed > 0.5,
        seconds,
    )


def judge_all(tasks: Sequence[Task], jobs: int) -> list[Score]:
    """Scores of all tasks, `jobs` at a time."""
    if jobs == 1:
        return [run(task) for task in tasks]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(run, tasks, chunksize=4))


def tasks_of(
    kind: Kind,
    count: int,
    base: int,
    *,
    drive: Literal["steady", "sweep"] | None = None,
    healthy: bool = False,
    gear_known: bool = False,
) -> list[Task]:
    """`count` tasks with seeds of their own."""
    offset = {"gps": 0, "dash": 20_000, "none": 40_000, "audio": 60_000}[kind] + 10_000 * healthy
    return [Task(base + offset + i, kind, drive, healthy, gear_known) for i in range(count)]


def calibration_error(scores: Sequence[Score]) -> float:
    """Mean distance between what was claimed and how often it was right, over ten bins of the claim."""
    claimed = np.array([s.claimed for s in scores])
    right = np.array([s.twin for s in scores], float)
    bins = np.minimum((claimed * 10).astype(int), 9)
    return float(
        sum(
            abs(claimed[bins == b].mean() - right[bins == b].mean()) * (bins == b).mean()
            for b in np.unique(bins)
        )
    )


HEAD = (
    "| what is known | road tests | first suspect right | with twins as one | P(fault) | log loss | calibration error "
    "| claims of 90% and more: share, right | seconds |\n|---|---|---|---|---|---|---|---|---|"
)


def row(name: str, scores: Sequence[Score]) -> str:
    """One line of the table; +- is one standard error."""
    n = len(scores)
    right = float(np.mean([s.right for s in scores]))
    twin = float(np.mean([s.twin for s in scores]))
    given = np.array([s.given for s in scores])
    sure = [s for s in scores if s.claimed >= 0.9]
    sure_right = f"{np.mean([s.twin for s in sure]):.1%}" if sure else "-"
    return (
        f"| {name} | {n} | {right:.1%} +- {_se(right, n):.1%} | {twin:.1%} +- {_se(twin, n):.1%} | {given.mean():.3f} "
        f"| {-np.log(np.maximum(given, 1e-4)).mean():.3f} | {calibration_error(scores):.3f} "
        f"| {len(sure) / n:.0%}, {sure_right} | {np.mean([s.seconds for s in scores]):.2f} |"
    )


def healthy_row(name: str, scores: Sequence[Score]) -> str:
    """One line of the table of healthy drives."""
    n = len(scores)
    blamed = float(np.mean([s.blamed for s in scores]))
    return f"| {name} | {n} | {blamed:.1%} +- {_se(blamed, n):.1%} | {np.mean([s.nothing for s in scores]):.3f} |"


def _se(share: float, count: int) -> float:
    return float(np.sqrt(max(share * (1.0 - share), 0.25 / count) / count))


def full_table(count: int, jobs: int) -> str:
    """The tables that docs/accuracy.md shows."""
    gps = judge_all(tasks_of("gps", count, SEED_BASE), jobs)
    gear = judge_all(tasks_of("gps", count // 2, SEED_BASE, drive="steady", gear_known=True), jobs)
    dash = judge_all(tasks_of("dash", count // 2, SEED_BASE, drive="steady"), jobs)
    dash_gear = judge_all(tasks_of("dash", count // 2, SEED_BASE, drive="steady", gear_known=True), jobs)
    none = judge_all(tasks_of("none", count // 6, SEED_BASE), jobs)
    audio = judge_all(tasks_of("audio", count // 6, SEED_BASE, drive="steady", gear_known=True), jobs)
    healthy = judge_all(tasks_of("gps", count // 2, SEED_BASE, healthy=True), jobs)
    keep: list[tuple[str, Callable[[Score], bool]]] = [
        ("- held speed", lambda s: s.drive == "steady"),
        ("- changing speed", lambda s: s.drive == "sweep"),
        ("- 100 samples a second", lambda s: s.rate_hz == 100.0),
        ("- 200 and 400 samples a second", lambda s: s.rate_hz > 100.0),
        ("- fault 0.10 to 0.15 m/s^2", lambda s: s.strength < 0.15),
        ("- fault above 0.15 m/s^2", lambda s: s.strength >= 0.15),
        *(
            (f"- {layout}", lambda s, one=layout: s.layout == one)
            for layout in ("rwd", "4wd", "awd", "fwd", "ev")
        ),
    ]
    rows = [row("GPS speed, gear not told", gps)]
    rows += [row(name, [s for s in gps if wanted(s)]) for name, wanted in keep if any(wanted(s) for s in gps)]
    rows += [
        row("GPS speed, held, gear told", gear),
        row("speed off the dash (0 to 4% high), held, gear not told", dash),
        row("speed off the dash, held, gear told", dash_gear),
        row("no speed", none),
        row("sound, speed off the dash, held, gear told", audio),
    ]
    quiet = [healthy_row("GPS speed, gear not told", healthy)]
    head = (
        "| healthy drives | road tests | a part blamed with more than half | P(nothing) |\n|---|---|---|---|"
    )
    return "\n".join([HEAD, *rows, "", head, *quiet])


def write_between(path: Path, mark: str, text: str) -> None:
    """Put text between `<!-- begin: mark -->` and `<!-- end: mark -->` of a page."""
    page = path.read_text(encoding="utf-8")
    begin, end = f"<!-- begin: {mark} -->", f"<!-- end: {mark} -->"
    pattern = re.escape(begin) + ".*?" + re.escape(end)
    path.write_text(
        re.sub(pattern, lambda _: f"{begin}\n{text}\n{end}", page, flags=re.DOTALL), encoding="utf-8"
    )


def main() -> None:
    """Parse the words, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=["gps", "dash", "none", "audio"], default="gps")
    parser.add_argument("--tests", type=int, default=300)
    parser.add_argument("--seed-base", type=int, default=SEED_BASE)
    parser.add_argument("--drive", choices=["steady", "sweep"])
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--healthy", action="store_true")
    parser.add_argument("--gear-known", action="store_true")
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--write", type=Path)
    words = parser.parse_args()
    if words.all:
        table = full_table(words.tests, words.jobs)
        print(table)
        if words.write:
            write_between(words.write, "accuracy", table)
        return
    tasks = tasks_of(
        words.kind,
        words.tests,
        words.seed_base,
        drive=words.drive,
        healthy=words.healthy,
        gear_known=words.gear_known,
    )
    scores = judge_all(tasks, words.jobs)
    print(healthy_row(words.kind, scores) if words.healthy else "\n".join([HEAD, row(words.kind, scores)]))


if __name__ == "__main__":
    main()
