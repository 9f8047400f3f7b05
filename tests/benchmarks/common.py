"""What the benchmarks of the diagnosis share: drawing road tests, telling what is known, scoring what came out."""

import re
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeVar

import blas  # noqa: F401
import numpy as np
from numpy.typing import NDArray
from world import random_road_test

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.simulate import RoadTest, as_recording, truth_group
from vibeorder.speed.given import SpeedGiven, parse_speed_given
from vibeorder.vehicle import Layout

__all__ = [
    "DriveKind",
    "Known",
    "Outcome",
    "Task",
    "calibration_error",
    "chance_error",
    "draw",
    "each",
    "fill_page",
    "judge_task",
    "known_gear",
    "outcome_of",
    "publish",
    "table",
    "tasks_of",
    "told_speed",
]

Known = Literal["gps", "dash", "none", "audio", "memo"]
DriveKind = Literal["steady", "sweep"]
D = TypeVar("D")
T = TypeVar("T")

SEED_OFFSET: dict[Known, int] = {"gps": 0, "dash": 20_000, "none": 40_000, "audio": 60_000, "memo": 80_000}
HEALTHY_OFFSET = 10_000
BINS = 10
BLAMED_FROM = 0.5


@dataclass(frozen=True, slots=True)
class Task:
    """One road test to draw and judge. known: what the diagnosis is told; name: the row it is counted in."""

    seed: int
    known: Known
    drive: DriveKind | None = None
    layout: Layout | None = None
    healthy: bool = False
    gear_known: bool = False
    name: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came out of one task.

    strength_mps2: vector rms of the fault, 0 where healthy. top: part and order of the first suspect.
    said_nothing: 'nothing that turns' had more than the first suspect with its twins.
    exact: the first suspect is the very fault. right: it is the fault or coincides with it in frequency, and
    'nothing' was not said. twin: likewise, or it is said to be indistinct from one that does. heading: the list of
    suspects is headed by such a one, whatever 'nothing' has.
    given: probability of the fault and what coincides with it (of nothing, where healthy).
    claimed: probability of what was answered: the first suspect with its twins, or nothing.
    blamed: a group has more than half, or a runout check is called for.
    """

    name: str
    seed: int
    known: str
    drive: str
    rate_hz: float
    layout: str
    strength_mps2: float
    fault: str
    top: str
    said_nothing: bool
    exact: bool
    right: bool
    twin: bool
    heading: bool
    given: float
    claimed: float
    nothing: float
    blamed: bool
    seconds: float


def tasks_of(
    known: Known,
    count: int,
    base: int,
    *,
    drive: DriveKind | None = None,
    layout: Layout | None = None,
    healthy: bool = False,
    gear_known: bool = False,
    name: str = "",
) -> list[Task]:
    """`count` tasks with seeds of their own: kinds, and healthy ones, draw from ranges 10000 apart."""
    first = base + SEED_OFFSET[known] + HEALTHY_OFFSET * healthy
    return [Task(first + i, known, drive, layout, healthy, gear_known, name or known) for i in range(count)]


def draw(task: Task) -> RoadTest:
    """The road test of a task; the same task gives the same one."""
    return random_road_test(
        task.seed,
        "gps" if task.known == "gps" else "dash",
        drive=task.drive,
        layout=task.layout,
        healthy=task.healthy,
        sensor="audio" if task.known in ("audio", "memo") else "acceleration",
    )


def told_speed(task: Task, test: RoadTest) -> SpeedGiven | None:
    """What is said of the speed: the dash's text, or nothing (a GPS trace is in the recording itself)."""
    return parse_speed_given(test.dash_text) if task.known in ("dash", "audio") else None


def known_gear(task: Task, test: RoadTest) -> int | None:
    """The gear that was held throughout, where the task tells it and there was one."""
    held = {int(g) for g in test.truth.gear}
    if not task.gear_known or len(held) != 1 or not test.vehicle.gears:
        return None
    return held.pop() or None


def judge_task(task: Task) -> Outcome:
    """Draw one road test, judge it, score it. The seconds are those of `diagnose` alone."""
    test = draw(task)
    recording = as_recording(test)
    began = time.perf_counter()
    found = diagnose(recording, test.vehicle, speed=told_speed(task, test), gear=known_gear(task, test))
    return outcome_of(task, test, found, time.perf_counter() - began)


def outcome_of(task: Task, test: RoadTest, found: Diagnosis, seconds: float) -> Outcome:
    """Score one diagnosis against the truth."""
    fault = test.truth.fault
    truth = set(truth_group(test))
    top = found.suspects[0]
    group = [s for s in found.suspects if s is top or (s.part, s.order) in top.indistinct_from]
    claimed = sum(s.probability for s in group)
    nothing = found.nothing_found_probability
    said_nothing = nothing >= claimed
    inside = (top.part, top.order) in truth
    twins_inside = any((s.part, s.order) in truth for s in group)
    healthy = fault is None
    return Outcome(
        name=task.name,
        seed=task.seed,
        known=task.known,
        drive=test.scenario.drive.kind,
        rate_hz=test.scenario.rate_hz,
        layout=test.vehicle.layout,
        strength_mps2=0.0 if fault is None else fault.rms_mps2,
        fault="" if fault is None else f"{fault.part} {fault.order:g}x",
        top=f"{top.part} {top.order:g}x",
        said_nothing=said_nothing,
        exact=fault is not None and (top.part, top.order) == (fault.part, fault.order),
        right=said_nothing if healthy else inside and not said_nothing,
        twin=said_nothing if healthy else twins_inside and not said_nothing,
        heading=twins_inside,
        given=nothing
        if healthy
        else sum(s.probability for s in found.suspects if (s.part, s.order) in truth),
        claimed=max(claimed, nothing),
        nothing=nothing,
        blamed=claimed > BLAMED_FROM or found.runout_check.warranted,
        seconds=seconds,
    )


def each(work: Callable[[D], T], tasks: Sequence[D], jobs: int) -> Iterable[T]:
    """`work` on every task, in order, `jobs` processes at a time."""
    if jobs <= 1:
        yield from map(work, tasks)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(work, tasks, chunksize=4)


def calibration_error(claimed: NDArray[np.float64], right: NDArray[np.float64]) -> float:
    """Expected calibration error: mean distance of claim and share right over ten bins of the claim."""
    if not claimed.size:
        return float("nan")
    bins = np.minimum((claimed * BINS).astype(int), BINS - 1)
    count = np.bincount(bins, minlength=BINS)
    gap = np.bincount(bins, claimed - right, minlength=BINS)
    return float(np.abs(gap).sum() / count.sum())


def chance_error(claimed: NDArray[np.float64], draws: int = 200) -> float:
    """The calibration error that perfectly calibrated claims would show on average in so few tests."""
    rng = np.random.default_rng(1)
    return float(
        np.mean(
            [
                calibration_error(claimed, (rng.random(claimed.size) < claimed).astype(float))
                for _ in range(draws)
            ]
        )
    )


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A markdown table."""
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(row) + " |" for row in lines)


def publish(text: str, page: Path | None, mark: str) -> None:
    """Print `text`, and put it between the marks of a page where one is given."""
    print(text)
    if page is not None:
        fill_page(page, mark, text)


def fill_page(page: Path, mark: str, text: str) -> None:
    """Put `text` between `<!-- begin: mark -->` and `<!-- end: mark -->` of a page; both must be there once."""
    words = page.read_text(encoding="utf-8")
    begin, end = f"<!-- begin: {mark} -->", f"<!-- end: {mark} -->"
    if words.count(begin) != 1 or words.count(end) != 1:
        raise SystemExit(f"{page} has not exactly one {begin} and one {end}; nothing was written")
    pattern = re.escape(begin) + ".*?" + re.escape(end)
    filled = re.sub(pattern, lambda _: f"{begin}\n{text}\n{end}", words, flags=re.DOTALL)
    page.write_text(filled, encoding="utf-8")
