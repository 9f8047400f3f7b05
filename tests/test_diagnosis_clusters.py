"""Lines that run together are one piece of evidence, whatever else crosses them."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked
from vibeorder.diagnosis.clusters import Cluster, place

BLOCKS = 40


def at(frequency_hz: NDArray[np.float64]) -> Tracked:
    """A line of one channel, clear in every block."""
    y = np.full((1, BLOCKS), 5.0 + 0.0j)
    ones = np.ones((1, BLOCKS))
    return Tracked(y, ones, y, ones, frequency_hz, np.ones(BLOCKS), np.ones(BLOCKS))


def test_two_names_of_one_line_count_once_though_a_third_runs_with_it_for_a_part() -> None:
    """A half-shaft's 6x and a tire's 6x turn alike; an engine line lies on both in one gear of two."""
    strong, road = np.full(BLOCKS, 20.0), np.full(BLOCKS, 45.0)
    engine = np.where(np.arange(BLOCKS) < BLOCKS // 2, 45.0, 60.0)
    clusters = [Cluster([0], at(strong), strong)]
    for j, hz in ((1, engine), (2, road), (3, road)):
        place(clusters, j, at(hz), hz)
    assert len(clusters) == 2
    assert clusters[1].members == [1]
    assert clusters[1].pair is not None
    assert clusters[1].pair[0] == [2, 3]
