"""What sound adds to motion: the same simulated drives judged by motion alone, by sound alone, and by both.

    python tests/benchmarks/motion_and_sound.py --tests 60 --write docs/accuracy.md

Seeds from 300000 up; what the two share was set on seeds below 400. +- is one standard error.
"""

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import blas  # noqa: F401
import numpy as np
from common import Outcome, Task, each, outcome_of, publish, table
from world import random_road_test

from vibeorder.diagnosis import diagnose
from vibeorder.simulate import RoadTest, as_recording, road_test

__all__ = ["FIRING_RMS", "both_of"]

SEED_BASE = 300_000
FIRING_RMS = (0.05, 0.5)
"""Firing through the air, rms on the scale on which a line of 1 m/s^2 sounds with rms 1, log-uniform: from lost in the
hiss (0.3) to what rules the sound. Assumed."""

SOUND_HZ = 8000.0
LEAST = 1e-4
SENSES = ("motion alone", "sound alone", "both")
ROWS = (
    ("gps", "GPS speed", None),
    ("gps", "GPS speed, motion at 100 samples a second", 100.0),
    ("none", "no speed", None),
)


@dataclass(frozen=True, slots=True)
class Rendered:
    """One drive to judge three ways."""

    seed: int
    known: str
    name: str
    rate_hz: float | None


def both_of(seed: int, known: str, rate_hz: float | None = None) -> tuple[RoadTest, RoadTest]:
    """One drive as acceleration and as sound: same vehicle, speed, lines and fault; each sensor's own noise."""
    motion = random_road_test(seed, "gps" if known == "gps" else "none", rate_hz=rate_hz)
    low, high = np.log(FIRING_RMS)
    firing = float(np.exp(np.random.default_rng((seed, 1)).uniform(low, high)))
    scenario = replace(
        motion.scenario,
        sensor="audio",
        rate_hz=SOUND_HZ,
        microphone=replace(motion.scenario.microphone, firing=firing),
    )
    # the fourth generator is the road test's own, as in `random_road_test`
    return motion, road_test(motion.vehicle, scenario, np.random.default_rng(seed).spawn(4)[3])


def judged(one: Rendered) -> list[Outcome]:
    """The outcomes of motion alone, sound alone and both."""
    motion, sound = both_of(one.seed, one.known, one.rate_hz)
    shake, heard = as_recording(motion), as_recording(sound)
    task = Task(one.seed, "gps" if one.known == "gps" else "none", name=one.name)
    out = []
    for name, recording, beside in (
        (SENSES[0], shake, None),
        (SENSES[1], heard, None),
        (SENSES[2], shake, heard),
    ):
        began = time.perf_counter()
        found = diagnose(recording, motion.vehicle, sound=beside)
        seconds = time.perf_counter() - began
        out.append(replace(outcome_of(task, motion, found, seconds), name=f"{one.name}: {name}"))
    return out


def rows(outcomes: Sequence[Outcome]) -> Iterator[list[str]]:
    """A row for each way of knowing and each sense."""
    for _, name, _ in ROWS:
        for sense in SENSES:
            own = [o for o in outcomes if o.name == f"{name}: {sense}"]
            if not own:
                continue
            right = np.array([o.right for o in own], float)
            twin = np.array([o.twin for o in own], float)
            given = np.array([o.given for o in own])
            se = np.sqrt((right.mean() * (1.0 - right.mean()) + 0.25 / right.size) / right.size)
            loss = -np.log(np.maximum(given, LEAST))
            yield [
                name,
                sense,
                f"{right.size}",
                f"{100 * right.mean():.1f}% +- {100 * se:.1f}%",
                f"{100 * twin.mean():.1f}%",
                f"{given.mean():.3f}",
                f"{loss.mean():.3f}",
                f"{np.mean([o.seconds for o in own]):.2f}",
            ]


HEADS = (
    "what is known", "by", "road tests", "first suspect right", "with twins as one", "P(fault)", "log loss", "seconds",
)  # fmt: skip


def main() -> None:
    """Run, print the table, and write it into a page on request."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tests", type=int, default=60)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--base", type=int, default=SEED_BASE)
    parser.add_argument("--only", choices=("gps", "none"))
    parser.add_argument("--write", type=Path, metavar="PAGE")
    arguments = parser.parse_args()
    tasks = [
        Rendered(arguments.base + 1000 * k + i, known, name, rate)
        for k, (known, name, rate) in enumerate(ROWS)
        for i in range(arguments.tests)
        if arguments.only in (None, known)
    ]
    outcomes: list[Outcome] = []
    for done, found in enumerate(each(judged, tasks, arguments.jobs), start=1):
        outcomes += found
        if done % 20 == 0:
            print(f"{done} of {len(tasks)} drives", file=sys.stderr, flush=True)
    text = table(HEADS, rows(outcomes))
    publish(text, arguments.write, "motion-and-sound")


if __name__ == "__main__":
    main()
