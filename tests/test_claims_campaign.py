"""The campaign behind the reliability table may be stopped at any time: every kind has had its share by then."""

import sys
from collections import Counter
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent / "benchmarks"))

from claims import KINDS, tasks


@pytest.mark.parametrize("stopped_after", [50, 200, 1000])
def test_every_kind_has_had_its_share_whenever_it_is_stopped(stopped_after: int) -> None:
    done = tasks(1000, 0)[:stopped_after]
    drawn = Counter(task.known for task in done)
    for known, _, of_ten in KINDS:
        assert abs(drawn[known] - of_ten * stopped_after / 10) <= 1.5
    assert abs(sum(task.healthy for task in done) - 0.4 * stopped_after) <= 5


def test_no_road_test_is_drawn_twice() -> None:
    drawn = [task.seed for task in tasks(1000, 2_600_000)]
    assert len(set(drawn)) == len(drawn)
