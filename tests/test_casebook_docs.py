"""docs/casebook.md shows what the program prints: `python tests/test_casebook_docs.py` rewrites it."""

import contextlib
import io
import os
import re
import shlex
import sys
import tempfile
from pathlib import Path
from unittest import mock

import numpy as np
from casebook_examples import NOW
from compare_examples import TRUCK

from vibeorder import casebook_option
from vibeorder.cli import main
from vibeorder.diagnosis.amplitudes import COMPLAINT_FROM_MPS2
from vibeorder.simulate import Drive, Fault, Scenario, road_test, write_log
from vibeorder.units import MPH_MPS

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "casebook.md"
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)


def drives(folder: Path) -> None:
    """The page's truck, and its two simulated drives."""
    (folder / "truck.toml").write_bytes((ROOT / "sample_data" / "truck.toml").read_bytes())
    steady = Drive("steady", (60 * MPH_MPS,), gears=((0.0, 7),))
    for name, faults in (("before", (Fault("driveshaft", 1.0, 0.3),)), ("after", ())):
        scenario = Scenario(steady, duration_s=40.0, rate_hz=200.0, tire_scale=1.01, faults=faults)
        write_log(road_test(TRUCK, scenario, np.random.default_rng(6)), folder / f"{name}.csv")


def printed(command: str) -> str:
    """What the command says on either stream."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        main(shlex.split(command)[1:])
    return said.getvalue()


def as_run(page: str, folder: Path) -> str:
    """The page with what its commands print when they are run in order, in an empty folder, at one moment."""
    before = Path.cwd()
    drives(folder)
    os.chdir(folder)
    try:
        with (
            mock.patch.dict(os.environ),
            mock.patch.object(casebook_option, "now", lambda: NOW),
            mock.patch("vibeorder.casebook_cli.now", lambda: NOW),
        ):
            os.environ.pop("VIBEORDER_CASEBOOK", None)
            return BLOCK.sub(lambda found: f"```console\n{_run(found[1])}```", page)
    finally:
        os.chdir(before)


def _run(block: str) -> str:
    commands = [line for line in block.splitlines() if line.startswith("$ ")]
    return "".join(f"{line}\n{printed(line[2:])}" for line in commands)


def test_the_page_says_from_where_on_complaints_begin() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert f"stays below {COMPLAINT_FROM_MPS2:g} m/s^2, where complaints begin" in page


def without_levels(page: str) -> str:
    """Measured figures left out: the diagnosis behind them may move in the last digit."""
    return re.sub(r"[-+]?\d+\.\d+|\d+%", "#", page)


def test_the_page_shows_what_the_program_prints(tmp_path: Path) -> None:
    page = PAGE.read_text(encoding="utf-8")
    shown, run = without_levels(page), without_levels(as_run(page, tmp_path))
    assert shown == run, "run python tests/test_casebook_docs.py to rewrite docs/casebook.md"


def test_every_job_command_is_explained() -> None:
    from vibeorder.casebook_cli import app

    page = PAGE.read_text(encoding="utf-8")
    names = [
        command.name or command.callback.__name__ for command in app.registered_commands if command.callback
    ]
    assert [name for name in names if f"job {name}" not in page] == []


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        PAGE.write_text(as_run(PAGE.read_text(encoding="utf-8"), Path(name)), encoding="utf-8")
    sys.stdout.write(f"{PAGE} written\n")
