"""How often the 95% interval of `vibeorder compare` holds the true change, and what it says: a table.

    python tests/benchmarks/compare.py [--seeds 25] [--anywhere 40]

Simulated: one invented truck, first-order driveshaft fault of 0.25 m/s^2 before, 0.25, 0.12 or 0 after; the
drive (steady at 60 mph, or a sweep of 50 to 70 mph), the road, the phone's sampling and the GPS are drawn
anew for the second drive. Body "steady": it passes the shake on with one gain, the same both times;
"wandering": the gain of each direction is a random process with a memory of 20 s, drawn anew for the second
drive, which is harder than a second drive in the same vehicle should be. The second table is over any vehicle, part
and drive of world.py; --seeds 0 leaves the first one out.
"""

import argparse
import math
import runpy
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import blas  # noqa: F401
import numpy as np

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.compare import Comparison, Drive, compare
from vibeorder.simulate import Body, Fault, Scenario, as_recording, random_vehicle, road_test
from vibeorder.simulate import Drive as Driving
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Vehicle, parse_vehicle

TRUCK: dict[str, object] = {
    "vehicle": {"name": "invented truck", "layout": "rwd"},
    "tire": {"size": "275/65R18"},
    "axle": {"ratio": 3.73},
    "transmission": {"gears": [4.62, 3.02, 2.06, 1.63, 1.27, 1.00, 0.83, 0.66]},
    "engine": {"cylinders": 8},
}
STEADY = Driving("steady", (60 * MPH_MPS,), gears=((0.0, 7),), drift=0.01)
SWEEP = Driving("sweep", (50 * MPH_MPS, 70 * MPH_MPS, 55 * MPH_MPS), gears=((0.0, 7),))
BEFORE_MPS2 = 0.25
AFTER_MPS2 = (0.25, 0.12, 0.0)
DURATION_S = 60.0
WORLD: dict[str, Any] = runpy.run_path(str(Path(__file__).with_name("world.py")))


class SameBody(np.random.Generator):
    """A generator whose road test has the lines and pose of one seed, and everything else of another."""

    def __init__(self, body_seed: int, rest_seed: int) -> None:
        super().__init__(np.random.PCG64(rest_seed))
        self.body_seed, self.rest_seed = body_seed, rest_seed

    def spawn(self, n_children: int) -> list[np.random.Generator]:
        own = np.random.default_rng(self.rest_seed).spawn(n_children)
        body = np.random.default_rng(self.body_seed).spawn(n_children)
        # road_test spawns drive, line, pose, sensor, gps, dash, belt in this order.
        return [body[i] if i in (1, 2, 6) else own[i] for i in range(n_children)]


def driven(
    vehicle: Vehicle, drive: Driving, rms: float, body_seed: int, rest_seed: int, **more: Any
) -> Drive:
    """One simulated drive and its diagnosis; the tires are the same both times."""
    faults = (Fault("driveshaft", 1.0, rms),) if rms else ()
    given = {"rate_hz": 200.0, "tire_scale": 1.01, "duration_s": DURATION_S} | more
    test = road_test(vehicle, Scenario(drive, faults=faults, **given), SameBody(body_seed, rest_seed))
    recording = as_recording(test)
    return Drive(recording, diagnose(recording, vehicle, gear=7))


def compared(
    seed: int, drive: Driving, after_rms: Sequence[float], steady_body: bool = True, **more: Any
) -> list[Comparison]:
    """One drive before against several after, of these levels."""
    vehicle = parse_vehicle(TRUCK)
    more = {"body": Body(steady=steady_body), "random_orientation": False} | more
    body_after = seed if steady_body else 50_000 + seed
    before = driven(vehicle, drive, BEFORE_MPS2, seed, 10_000 + seed, **more)
    afters = [driven(vehicle, drive, rms, body_after, 20_000 + seed, **more) for rms in after_rms]
    return [compare(before, after, vehicle, "driveshaft", 1.0) for after in afters]


def held(result: Comparison, after_rms: float) -> bool:
    """Whether the interval holds the true change (after nothing: whether it lets the change be any size)."""
    if result.high_db is None:
        return False
    if not after_rms:
        return True
    truth = 20.0 * math.log10(after_rms / BEFORE_MPS2)
    return (result.low_db is None or result.low_db <= truth) and truth <= result.high_db


def anywhere(seed: int, share: float) -> Comparison:
    """Any vehicle, fault, drive and phone of the population; the second drive has this share of the fault."""
    vehicle_rng, scenario_rng, fault_rng, _ = np.random.default_rng(seed).spawn(4)
    vehicle = random_vehicle(vehicle_rng)
    scenario = replace(
        WORLD["random_scenario"](vehicle, scenario_rng), tire_scale=1.0 + 0.001 * (seed % 21 - 10)
    )
    fault = WORLD["_fault"](vehicle, fault_rng, WORLD["FAULT_MPS2"])
    drives = []
    for number, part in enumerate((1.0, share)):
        faults = (replace(fault, rms_mps2=part * fault.rms_mps2),) if part else ()
        test = road_test(
            vehicle, replace(scenario, faults=faults), SameBody(seed, 10_000 * (number + 1) + seed)
        )
        recording = as_recording(test)
        drives.append(Drive(recording, diagnose(recording, vehicle)))
    return compare(drives[0], drives[1], vehicle, fault.part, fault.order)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=25)
    parser.add_argument("--anywhere", type=int, default=40)
    options = parser.parse_args(arguments)
    seeds = options.seeds
    print("| drive | body | after, m/s^2 | pairs | interval holds the truth | median width, dB | said |")
    print("|---|---|---|---|---|---|---|")
    for name, drive in (("steady", STEADY), ("sweep", SWEEP)) if seeds else ():
        for steady in (True, False):
            table = [compared(seed, drive, AFTER_MPS2, steady) for seed in range(seeds)]
            for after, results in zip(AFTER_MPS2, zip(*table, strict=True), strict=True):
                print(row(name, "steady" if steady else "wandering", after, results), flush=True)
    print("\n| any vehicle, part and drive; left of the fault | pairs | said |\n|---|---|---|")
    for share in (1.0, 0.5, 0.0):
        verdicts = Counter(anywhere(seed, share).verdict for seed in range(options.anywhere))
        said = ", ".join(f"{word} {n}" for word, n in verdicts.most_common())
        print(f"| {share:g} | {options.anywhere} | {said} |", flush=True)


def row(drive: str, body: str, after: float, results: Sequence[Comparison]) -> str:
    """One line of the table."""
    widths = [o.high_db - o.low_db for o in results if o.high_db is not None and o.low_db is not None]
    width = f"{np.median(widths):.1f}" if widths else "-"
    said = ", ".join(f"{word} {n}" for word, n in Counter(o.verdict for o in results).most_common())
    share = f"{sum(held(one, after) for one in results)} of {len(results)}" if after else "-"
    return f"| {drive} | {body} | {after:g} | {len(results)} | {share} | {width} | {said} |"


if __name__ == "__main__":
    main()
