"""How often the first suspect is right when no speed is told, on simulated road tests.

    python tests/benchmarks/nospeed.py --tests 40                        # sweeps with one gear change, 200 Hz
    python tests/benchmarks/nospeed.py --kind steady --tests 40 --rate 400
    python tests/benchmarks/nospeed.py --world harder --tests 40         # the population of world.py
    python tests/benchmarks/nospeed.py --all --tests 60 --json-lines n.jsonl
    python tests/benchmarks/nospeed.py --from n.jsonl --write docs/accuracy.md   # same table, nothing run

The plain world: rear drive, one of five gear sets, 4, 6 or 8 cylinders, 75 s; a sweep has three speeds uniform in 20
to 85 mph, the greatest 1.4 times the least; one change to a neighbouring gear in its middle half, or none;
fault log-uniform in 0.1 to 0.5 m/s^2. Seeds from 300000 up are reported, those from 500000 (--seed-base) untouched;
tuning used seeds below 80000, and 100000 to 100059, 300038 and 310000 served to find faults. The sets of twins come
with the temperature in use: set it before a run, not afterwards. +- is one standard error.
"""

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal, get_args

sys.path.insert(0, str(Path(__file__).resolve().parent))

import blas  # noqa: F401
import numpy as np
from accuracy import share
from common import calibration_error, chance_error, each, fill_page, table
from world import CURVE_SD_PER_M, GRADE_SD, random_road_test

from vibeorder.diagnosis import posterior, told, weigh
from vibeorder.diagnosis.twins import AS_GOOD_UNTOLD
from vibeorder.simulate import (
    Body,
    Drive,
    Fault,
    Road,
    RoadTest,
    Scenario,
    as_recording,
    road_test,
    source_keys,
    truth_group,
)
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Vehicle, engine_ratio, parse_vehicle

Kind = Literal["change", "no change", "steady", "healthy"]
World = Literal["plain", "harder"]

SEED_BASE = 300_000
KIND_OFFSET: dict[Kind, int] = {"change": 0, "no change": 10_000, "steady": 20_000, "healthy": 30_000}
DURATION_S = 75.0
SPEED_MPS = (20 * MPH_MPS, 85 * MPH_MPS)
SWEEP_SPAN = 1.4
FAULT_MPS2 = (0.1, 0.5)
LEVEL_MPS2 = (0.16, 0.63)
CIRCUMFERENCE_M = (1.95, 2.55)
AXLES = (3.08, 3.23, 3.42, 3.55, 3.73, 3.91, 4.10)
GEARS = (
    (2.95, 1.60, 1.00, 0.71),
    (3.45, 2.02, 1.41, 1.00, 0.74),
    (4.12, 2.38, 1.53, 1.15, 0.86, 0.68),
    (4.00, 2.34, 1.50, 1.13, 0.84, 0.66),
    (4.65, 3.05, 2.08, 1.66, 1.28, 1.00, 0.83, 0.66),
)
USUAL_RPM, USUAL_RPM_LOG_SD = 1900.0, 0.3
SURE = 0.9
CLOSE, WITHIN = 5.0, float(np.exp(AS_GOOD_UNTOLD))
BANDS: tuple[tuple[str, Callable[["Outcome"], bool]], ...] = (
    ("fault 0.1 to 0.2 m/s^2", lambda s: 0.0 < s.strength_mps2 < 0.2),
    ("fault 0.2 to 0.5 m/s^2", lambda s: s.strength_mps2 >= 0.2),
)


@dataclass(frozen=True, slots=True)
class Task:
    """One road test to draw and judge."""

    seed: int
    kind: Kind
    world: World
    rate_hz: float | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came out of one task.

    top: first suspect. right: it, or one that it is said to be indistinct from, is the fault or coincides with
    it (healthy: nothing has most). listed: whether the truth is among those within a factor 20 of the best, from which
    on names without a speed count as told apart; list_size: how many those are; listed_p: their probability, 0
    where the truth is not among them. given: probability of the truth. claimed: of what was answered. first: what has
    most is the fault or coincides with it; close, close_size: as listed, within a factor 5.
    log_evidence, log_prior, key, truth, twins: for fitting the temperature, as in calibrate.py.
    """

    seed: int
    kind: str
    world: str
    rate_hz: float
    strength_mps2: float
    fault: str
    top: str
    right: bool
    listed: bool
    list_size: int
    listed_p: float
    given: float
    claimed: float
    seconds: float
    log_evidence: tuple[float, ...]
    log_prior: tuple[float, ...]
    key: tuple[int, ...]
    truth: tuple[int, ...]
    twins: tuple[tuple[int, ...], ...]
    first: bool
    close: bool
    close_size: int


def draw(task: Task) -> RoadTest:
    """The road test of a task; the same task gives the same one."""
    if task.world == "harder":
        drive: Literal["steady", "sweep"] | None = "steady" if task.kind == "steady" else "sweep"
        return random_road_test(
            task.seed,
            "none",
            drive=None if task.kind == "healthy" else drive,
            rate_hz=task.rate_hz,
            healthy=task.kind == "healthy",
        )
    return plain_road_test(task.seed, task.kind, task.rate_hz or 200.0)


def plain_road_test(seed: int, kind: Kind, rate_hz: float = 200.0, seconds: float = DURATION_S) -> RoadTest:
    """One road test of the plain world."""
    vehicle_rng, drive_rng, road_rng, fault_rng, test_rng = np.random.default_rng(seed).spawn(5)
    vehicle = _vehicle(vehicle_rng)
    faults: tuple[Fault, ...] = ()
    if kind != "healthy":
        keys = source_keys(vehicle)
        part, order = keys[int(fault_rng.integers(len(keys)))]
        faults = (Fault(part, order, float(np.exp(fault_rng.uniform(*np.log(FAULT_MPS2))))),)
    level = float(np.exp(road_rng.uniform(*np.log(LEVEL_MPS2))))
    scenario = Scenario(
        drive=_drive(vehicle, kind, seconds, drive_rng),
        duration_s=seconds,
        rate_hz=rate_hz,
        faults=faults,
        body=Body(common=0.0),
        road=Road(level_mps2=level, roughness_sd=0.0, grade_sd=GRADE_SD, curve_sd_per_m=CURVE_SD_PER_M),
        gps=None,
    )
    return road_test(vehicle, scenario, test_rng)


def _vehicle(rng: np.random.Generator) -> Vehicle:
    return parse_vehicle(
        {
            "vehicle": {"name": f"invented no. {int(rng.integers(1000))}", "layout": "rwd"},
            "tire": {"circumference_mm": round(1000.0 * float(rng.uniform(*CIRCUMFERENCE_M)))},
            "axle": {"ratio": float(rng.choice(AXLES))},
            "transmission": {"gears": list(GEARS[int(rng.integers(len(GEARS)))])},
            "engine": {"cylinders": int(rng.choice((4, 6, 8)))},
        }
    )


def _drive(vehicle: Vehicle, kind: Kind, seconds: float, rng: np.random.Generator) -> Drive:
    if kind == "steady":
        speed = float(rng.uniform(*SPEED_MPS))
        return Drive("steady", (speed,), ((0.0, _gear(vehicle, speed, rng)),))
    while True:
        knots = rng.uniform(*SPEED_MPS, 3)
        if knots.max() / knots.min() > SWEEP_SPAN:
            break
    speeds = tuple(float(v) for v in knots)
    if kind == "no change":
        return Drive("sweep", speeds, ((0.0, _gear(vehicle, speeds[1], rng)),))
    at = float(rng.uniform(0.25, 0.75)) * seconds
    then = float(np.interp(at, np.linspace(0.0, seconds, 3), knots))
    first = _gear(vehicle, then, rng)
    return Drive("sweep", speeds, ((0.0, first), (at, _gear(vehicle, then, rng, near=first))))


def _gear(vehicle: Vehicle, speed_mps: float, rng: np.random.Generator, near: int | None = None) -> int:
    """A gear round the usual engine speed; a neighbour of `near` where given."""
    numbers = np.arange(1, len(vehicle.gears) + 1)
    rate = speed_mps / vehicle.tire.circumference_m
    rpm = 60.0 * rate * np.array([engine_ratio(vehicle, int(g)) for g in numbers])
    log_p = -0.5 * (np.log(rpm / USUAL_RPM) / USUAL_RPM_LOG_SD) ** 2
    log_p = np.where((rpm < 900.0) | (rpm > 4800.0), log_p - 12.0, log_p)
    if near is not None:
        log_p = np.where(np.abs(numbers - near) == 1, log_p, -np.inf)
    p = np.exp(log_p - log_p.max())
    return int(rng.choice(numbers, p=p / p.sum()))


def judge_task(task: Task) -> Outcome:
    """Draw one road test, judge it with nothing told of the speed, score it."""
    import time

    test = draw(task)
    recording = as_recording(test, gps=False)
    began = time.perf_counter()
    weighed = weigh(recording, test.vehicle)
    found = told(weighed)
    seconds = time.perf_counter() - began
    candidates = weighed.pieces[0].judgement.candidates
    number = {key: i for i, key in enumerate(dict.fromkeys(c.key for c in candidates))}
    fault = test.truth.fault
    truth = {number[k] for k in truth_group(test) if k in number} if fault else {len(number)}
    p = np.zeros(len(number) + 1)
    for s in found.suspects:
        p[number[s.part, s.order]] = s.probability
    p[-1] = found.nothing_found_probability
    twins = {number[s.part, s.order]: [number[k] for k in s.indistinct_from] for s in found.suspects}
    top = int(np.argmax(p[:-1]))
    group = {top, *twins[top]}
    if p[list(group)].sum() <= p[-1]:
        group = {len(number)}
    near = {i for i in range(p.size) if p[i] * WITHIN > p.max()}
    close = {i for i in near if p[i] * CLOSE > p.max()}
    prior = weighed.log_prior - weighed.log_prior[-1]
    return Outcome(
        task.seed,
        task.kind,
        task.world,
        test.scenario.rate_hz,
        0.0 if fault is None else fault.rms_mps2,
        "" if fault is None else f"{fault.part} {fault.order:g}x",
        f"{found.suspects[0].part} {found.suspects[0].order:g}x",
        bool(group & truth),
        bool(near & truth),
        len(near),
        float(p[list(near)].sum()) if near & truth else 0.0,
        float(p[list(truth)].sum()),
        float(min(p[list(group)].sum(), 1.0)),
        seconds,
        tuple(float(w) for w in weighed.log_odds - prior),
        tuple(float(w) for w in prior),
        (*(number[c.key] for c in candidates), len(number)),
        tuple(sorted(truth)),
        tuple(tuple(sorted({i, *twins[i]})) for i in range(len(number))),
        int(p.argmax()) in truth,
        bool(close & truth),
        len(close),
    )


HEADS = (
    "world, drive, rate", "road tests", "first name right", "first suspect right, twins as one",
    "truth within factor 5 of the best: share, size", "within factor 20: share, size",
    "P(list of factor 20 that holds the truth)", "P(truth)", "log loss", "calibration error (by chance)",
    "claims of 90% and more: share, right", "seconds",
)  # fmt: skip


def report(outcomes: Sequence[Outcome]) -> str:
    """The table, a row for each world, kind and rate, broken down by strength."""
    rows = []
    for key in dict.fromkeys((s.world, s.kind, s.rate_hz if s.world == "plain" else 0.0) for s in outcomes):
        own = [s for s in outcomes if (s.world, s.kind, s.rate_hz if s.world == "plain" else 0.0) == key]
        rate = f", {key[2]:g} Hz" if key[2] else ""
        rows.append(_row(f"{key[0]}, {key[1]}{rate}", own))
        rows += [_row(f"- {n}", some) for n, want in BANDS if (some := [s for s in own if want(s)])]
    return table(HEADS, rows)


def _row(name: str, some: Sequence[Outcome]) -> Sequence[str]:
    claimed = np.array([s.claimed for s in some])
    right = np.array([s.right for s in some], float)
    given = np.array([s.given for s in some])
    sure = claimed >= SURE
    return (
        name,
        str(len(some)),
        share([s.first for s in some]),
        share([s.right for s in some]),
        f"{share([s.close for s in some])}, {np.mean([s.close_size for s in some]):.2f}",
        f"{share([s.listed for s in some])}, {np.mean([s.list_size for s in some]):.2f}",
        f"{np.mean([s.listed_p for s in some]):.3f}",
        f"{given.mean():.3f}",
        f"{-np.log(np.maximum(given, 1e-4)).mean():.3f}",
        f"{calibration_error(claimed, right):.3f} ({chance_error(claimed):.3f})",
        f"{sure.mean():.0%}, {share(right[sure]) if sure.any() else '-'}",
        f"{np.mean([s.seconds for s in some]):.2f}",
    )


def best_temperature(outcomes: Sequence[Outcome]) -> str:
    """The temperature of least log loss over these outcomes, beside the one in use."""
    from calibrate import Drawn, claims, fit_temperature, losses

    some = [Drawn(s.seed, "inferred", s.log_evidence, s.log_prior, s.key, s.truth, s.twins) for s in outcomes]
    lines = []
    for t in (posterior.TEMPERATURE["inferred"], fit_temperature(some, posterior.floor_of("inferred"))):
        claimed, right = claims(some, t, posterior.floor_of("inferred"))
        loss = losses(some, t, posterior.floor_of("inferred")).mean()
        lines.append(
            f"temperature {t:.2f}: log loss {loss:.3f}, calibration error {calibration_error(claimed, right):.3f}"
        )
    return "\n".join(lines)


def main() -> None:
    """Parse the words, run, print."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--kind", choices=get_args(Kind), default="change")
    words.add_argument("--world", choices=get_args(World), default="plain")
    words.add_argument(
        "--rate", type=float, help="samples a second; default 200, or as drawn in the harder world"
    )
    words.add_argument("--tests", type=int, default=40)
    words.add_argument("--seed-base", type=int, default=SEED_BASE)
    words.add_argument("--jobs", type=int, default=1)
    words.add_argument("--all", action="store_true", help="every kind in both worlds, and 100 and 400 Hz")
    words.add_argument("--json-lines", type=Path, help="add every outcome to this file")
    words.add_argument("--from", dest="source", type=Path, help="run nothing: table of kept outcomes")
    words.add_argument("--write", type=Path, help="put the table between the marks of this page")
    words.add_argument("--misses", action="store_true", help="name the seeds that came out wrong")
    given = words.parse_args()
    if given.source is not None:
        with given.source.open(encoding="utf-8") as file:
            outcomes = [Outcome(**json.loads(line)) for line in file if line.strip()]
    else:
        runs: list[tuple[Kind, World, float | None]] = [(given.kind, given.world, given.rate)]
        if given.all:
            runs = [
                (k, w, None)
                for w in get_args(World)
                for k in get_args(Kind)
                if (k, w) != ("no change", "harder")
            ]
            runs += [("change", "plain", 100.0), ("change", "plain", 400.0)]
        tasks = [
            Task(given.seed_base + KIND_OFFSET[k] + i, k, w, r)
            for k, w, r in runs
            for i in range(given.tests)
        ]
        outcomes = []
        for outcome in each(judge_task, tasks, given.jobs):
            outcomes.append(outcome)
            if given.json_lines is not None:
                with given.json_lines.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(outcome)) + "\n")
    text = report(outcomes)
    print(text)
    print(best_temperature(outcomes))
    if given.write is not None:
        fill_page(given.write, "no-speed", text)
    for s in outcomes if given.misses else ():
        if not s.right:
            said = f"{s.fault} {s.strength_mps2:.2f} -> {s.top}"
            print(f"{s.seed} {s.kind} {said}, claimed {s.claimed:.2f}, truth has {s.given:.3f}")


if __name__ == "__main__":
    main()
