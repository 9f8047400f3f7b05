"""Full disks, closed streams, clocks that jump, two at one file: the quick ones of tests/benchmarks/bad_days.py."""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent / "benchmarks"))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
from bad_days import QUICK
from common import fill_page

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="full disks and signals are tried on Linux only"
)
PAGE = Path(__file__).resolve().parents[1] / "docs" / "reliability.md"


# killed writers: tests/test_casebook_store.py, twenty of them
@pytest.mark.parametrize("what", [what for what in QUICK if "writers of the casebook killed" not in what])
def test_a_bad_day_ends_well(what: str, tmp_path: Path) -> None:
    came = QUICK[what](tmp_path)
    assert came.ok, came.out


@pytest.mark.parametrize("mark", ["bad days", "fuzz"])
def test_the_page_has_a_place_for_each_table(mark: str, tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text(PAGE.read_text(encoding="utf-8"), encoding="utf-8")
    fill_page(page, mark, "filled")
    assert f"<!-- begin: {mark} -->\nfilled\n<!-- end: {mark} -->" in page.read_text(encoding="utf-8")
