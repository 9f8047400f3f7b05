"""A small folder of road tests of two invented vehicles, for the tests of the batch."""

import csv
import os
import subprocess
import sys
from pathlib import Path
from typing import Any
from unittest import mock

from diagnosis_examples import CAR, CAR_SHIFTING, ELECTRIC, ELECTRIC_SWEEP, made
from patience import PATIENCE_S
from program import called

from vibeorder.batch import diagnose_file
from vibeorder.simulate import write_log

__all__ = [
    "CAR_TOML",
    "ROOT",
    "TRUCK_TOML",
    "VOLT_TOML",
    "batch_command",
    "batch_here",
    "environment",
    "fill",
    "rows_of",
    "without_time",
]

ROOT = Path(__file__).resolve().parents[1]
TRUCK_TOML = """[vehicle]
name = "invented truck"
layout = "rwd"
[tire]
size = "275/65R18"
[axle]
ratio = 3.55
[transmission]
gears = [4.7, 2.99, 2.15, 1.77, 1.52, 1.28, 1.0, 0.85]
[engine]
cylinders = 8
"""
VOLT_TOML = """[vehicle]
name = "invented electric"
layout = "ev"
[tire]
size = "235/55R19"
[motor]
ratio = 9.04
"""
CAR_TOML = """[vehicle]
name = "invented car"
layout = "fwd"
[tire]
size = "205/55R16"
[axle]
ratio = 3.91
[transmission]
gears = [3.48, 1.93, 1.29, 0.96, 0.75]
[engine]
cylinders = 4
"""


def fill(folder: Path, volts: int = 3, cars: int = 1) -> Path:
    """`folder` with electric vehicles (a tire at fault) at the top and cars (likewise) in a folder of their own,
    each with its vehicle.toml and its speed in the file."""
    (folder / "cars").mkdir(parents=True)
    (folder / "vehicle.toml").write_text(VOLT_TOML)
    (folder / "cars" / "vehicle.toml").write_text(CAR_TOML)
    for i in range(volts):
        test = made(ELECTRIC, ELECTRIC_SWEEP, "tire_wheel", seed=i + 1, rate_hz=100.0, duration_s=8.0)
        write_log(test, folder / f"volt{i}.csv")
    for i in range(cars):
        test = made(CAR, CAR_SHIFTING, "tire_wheel", seed=i + 1, rate_hz=100.0, duration_s=8.0)
        write_log(test, folder / "cars" / f"car{i}.csv")
    return folder


def environment(**more: str) -> dict[str, str]:
    """Of a process that runs the program from here."""
    kept = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1", **more}
    kept.pop("VIBEORDER_DEBUG", None)
    return kept


def batch_command(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """`vibeorder batch` with these words, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "vibeorder.cli", "batch", *map(str, words)],
        capture_output=True,
        text=True,
        env=environment(),
        timeout=PATIENCE_S,
        check=False,
    )


def batch_here(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """The same in this process, one recording after another: for what no process has a part in."""
    with mock.patch(
        "vibeorder.batch.local_results", lambda tasks, _: (diagnose_file(task) for task in tasks)
    ):
        return called("batch", *words)


def rows_of(table: Path) -> list[dict[str, str]]:
    """The rows of a CSV table."""
    with table.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def without_time(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows without the one column that differs between two runs."""
    return [{name: value for name, value in row.items() if name != "seconds"} for row in rows]
