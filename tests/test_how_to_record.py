"""docs/how-to-record.md: tables and blocks are the program's own; `PYTHONPATH=. python tests/test_how_to_record.py`."""

import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from pages import DOCS, ROOT, beside_samples, with_outputs

from vibeorder.classroom import folded
from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.diagnose import SLOWEST_RATE_HZ
from vibeorder.recording import read_recording
from vibeorder.simulate import LAYOUTS, Drive, Scenario, road_test, write_log
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import load_vehicle, rate_table

PAGE = DOCS / "how-to-record.md"
REWRITE = "PYTHONPATH=. python tests/test_how_to_record.py"
PART = re.compile(r"(<!-- (rates|thinned|columns) -->\n).*?(<!-- end -->)", re.DOTALL)
RATES_HZ = (200, 100, 50, 20, 10)
TRUCK = ROOT / "sample_data" / "truck.toml"


@dataclass(frozen=True, slots=True)
class Thinned:
    """A sample thinned to fewer rows a second, as a phone without a filter would have taken it."""

    sample: str
    wrong: str
    part: str
    gear: int


THINNED = (
    Thinned("tire.csv", "tire/wheel 1x", "tire_wheel", 8),
    Thinned("pinion_flange.csv", "driveshaft 1x", "driveshaft", 7),
)


def rates_part() -> str:
    """Where each line of the truck shows at 60 mph in seventh gear, at each number of samples a second."""
    rows = [f"| part and order | its rate | {' | '.join(f'{rate} Hz' for rate in RATES_HZ)} |"]
    rows.append("|---|---|" + "---|" * len(RATES_HZ))
    for row in rate_table(load_vehicle(TRUCK), 60.0 * MPH_MPS, 7)[:3]:
        orders = [("1x", row.first_hz), ("2x", row.second_hz)]
        orders += [("firing", row.firing_hz)] if row.firing_hz else [("3x", row.third_hz)]
        for name, hz in orders:
            cells = " | ".join(shows(hz, rate) for rate in RATES_HZ)
            rows.append(f"| {row.label} {name} | {hz:.1f} Hz | {cells} |")
    return "\n".join(rows)


def shows(hz: float, rate: float) -> str:
    place = float(folded(np.array([hz]), rate)[0])
    return "seen" if hz < rate / 2 else f"folded, at {place:.1f}"


def thinned_part(folder: Path) -> str:
    """What the program says of two samples that are thinned more and more."""
    head = [f"`{one.sample}`, truth: {one.wrong}" for one in THINNED]
    rows = [f"| samples a second | {' | '.join(head)} |", "|---|" + "---|" * len(THINNED)]
    rows += [f"| {rate} | {' | '.join(said(one, rate, folder) for one in THINNED)} |" for rate in RATES_HZ]
    return "\n".join(rows)


def said(one: Thinned, rate_hz: int, folder: Path) -> str:
    path = thin(ROOT / "sample_data" / one.sample, 200 // rate_hz, folder / f"{rate_hz}-{one.sample}")
    result = diagnose(read_recording(path), load_vehicle(TRUCK), gear=one.gear)
    best = max(result.suspects, key=lambda suspect: suspect.probability)
    group = {(best.part, best.order), *best.indistinct_from}
    missed = (one.part, 1.0) not in group or result.nothing_found_probability > best.probability
    mark = " **Missed.**" if missed else ""
    return f"{result.verdict}{mark}"


def thin(log: Path, step: int, target: Path) -> Path:
    """Every step-th row of a log; a GPS fix that falls between is kept in the row before it."""
    head, *rows = log.read_text(encoding="utf-8").splitlines()
    kept = []
    for i in range(0, len(rows), step):
        fixes = [row.rsplit(",", 1)[1] for row in rows[i : i + step]]
        kept.append(f"{rows[i].rsplit(',', 1)[0]},{next((fix for fix in fixes if fix), '')}")
    target.write_text("\n".join((head, *kept)) + "\n", encoding="utf-8")
    return target


MEANT = {
    "seconds": "seconds, m/s², m/s",
    "milliseconds": "milliseconds, g, km/h",
    "semicolon": "semicolons and decimal commas, km/h",
    "epoch": "nanoseconds since 1970, axes in another order, units by their own proof",
}


def columns_part(folder: Path) -> str:
    """The head and the first full row of each layout that a simulated phone writes."""
    rows = ["| columns | a row | what it is |", "|---|---|---|"]
    for name, meant in MEANT.items():
        head, *lines = written(name, folder).read_text(encoding="utf-8").splitlines()
        sign = LAYOUTS[name].separator
        row = next(line for line in lines if not line.endswith(sign))
        rows.append(f"| `{head}` | `{row}` | {meant} |")
    return "\n".join(rows)


def written(layout: str, folder: Path) -> Path:
    scenario = Scenario(Drive("steady", (25.0,), gears=((0.0, 7),)), duration_s=12.0, rate_hz=200.0)
    test = road_test(load_vehicle(TRUCK), scenario, np.random.default_rng(5))
    return write_log(test, folder / f"{layout}.csv", layout)


def as_made(page: str, folder: Path) -> str:
    """The page with its tables and blocks made anew."""
    with beside_samples(folder):
        page = with_outputs(page)
    make: dict[str, Callable[[], str]] = {
        "rates": rates_part,
        "thinned": lambda: thinned_part(folder),
        "columns": lambda: columns_part(folder),
    }
    return PART.sub(lambda found: f"{found[1]}{make[found[2]]()}\n{found[3]}", page)


def test_the_page_shows_what_the_program_says(tmp_path: Path) -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == as_made(page, tmp_path), f"run {REWRITE} to rewrite docs/how-to-record.md"


def test_the_slowest_rate_is_the_one_that_the_page_says() -> None:
    assert f"Below {SLOWEST_RATE_HZ:g} Hz nothing is read" in PAGE.read_text(encoding="utf-8")


def test_lines_fold_about_half_the_sample_rate() -> None:
    # Sampling theorem (Shannon 1949): f and |f - n fs| give the same samples. 40.3 Hz at 50 Hz is 9.7 Hz.
    assert [float(folded(np.array([hz]), 50.0)[0]) for hz in (10.8, 40.3, 66.8)] == pytest.approx(
        [10.8, 9.7, 16.8]
    )


@pytest.mark.parametrize("layout", MEANT)
def test_every_layout_that_the_page_names_is_read(layout: str, tmp_path: Path) -> None:
    assert set(MEANT) == set(LAYOUTS)
    recording = read_recording(written(layout, tmp_path))
    assert recording.unit == "m/s^2"
    assert recording.rate_hz == pytest.approx(200.0, rel=1e-3)
    assert recording.speed is not None
    assert float(np.median(recording.speed.values)) == pytest.approx(25.0, rel=0.02)
    gravity = float(np.linalg.norm(np.median(recording.samples, axis=1)))
    assert gravity == pytest.approx(9.81, rel=0.02)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        made = as_made(PAGE.read_text(encoding="utf-8"), Path(name))
    PAGE.write_text(made, encoding="utf-8")
    sys.stdout.write("docs/how-to-record.md is written\n")
