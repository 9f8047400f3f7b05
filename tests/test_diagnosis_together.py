"""Several recordings of one vehicle judged as one: what one leaves open another may settle."""

from dataclasses import replace

import numpy as np
import pytest
from diagnosis_examples import CAR, DIRECT_GEAR, TOP_GEAR, TRUCK, key, made

from vibeorder.diagnosis import Weighed, diagnose, judged_together, told, weigh
from vibeorder.errors import VibeorderError
from vibeorder.simulate import as_recording


def weighed(drive: object, part: str | None, gear: int, seed: int = 1) -> Weighed:
    return weigh(as_recording(made(TRUCK, drive, part, seed=seed)), TRUCK, None, gear)  # type: ignore[arg-type]


def share(found: object, part: str, order: float = 1.0) -> float:
    return sum(s.probability for s in found.suspects if key(s) == (part, order))  # type: ignore[attr-defined]


def test_one_recording_together_is_that_recording_alone() -> None:
    one = weighed(TOP_GEAR, "driveshaft", 8)
    assert judged_together([one]).suspects == told(one).suspects


@pytest.mark.parametrize("part", ["driveshaft", "engine"])
def test_a_second_gear_settles_what_the_direct_gear_leaves_open(part: str) -> None:
    # In the 1.00 gear engine and driveshaft turn alike (the ratio is one); in another gear they do not.
    direct, other = weighed(DIRECT_GEAR, part, 7), weighed(TOP_GEAR, part, 8, seed=2)
    alone = told(direct)
    assert ("engine", 1.0) in {key(s) for s in alone.suspects[:2]}
    assert max(share(alone, "engine"), share(alone, "driveshaft")) < 0.9
    both = judged_together([direct, other])
    assert key(both.suspects[0]) == (part, 1.0)
    assert both.suspects[0].probability > 0.9
    assert both.suspects[0].indistinct_from == ()


def test_two_recordings_that_agree_are_surer_than_either() -> None:
    weak = [weighed(TOP_GEAR, "driveshaft", 8, seed=s) for s in (3, 4)]
    faint = [weigh(replace(w.recording, samples=0.35 * w.recording.samples), TRUCK, None, 8) for w in weak]
    alone = [share(told(w), "driveshaft") for w in faint]
    assert share(judged_together(faint), "driveshaft") >= min(alone)


def test_the_order_of_the_recordings_does_not_matter() -> None:
    a, b = weighed(DIRECT_GEAR, "engine", 7), weighed(TOP_GEAR, "engine", 8, seed=2)
    one = {key(s): s.probability for s in judged_together([a, b]).suspects}
    two = {key(s): s.probability for s in judged_together([b, a]).suspects}
    assert one == pytest.approx(two)


def test_probabilities_of_all_and_of_nothing_still_sum_to_one() -> None:
    both = judged_together([weighed(TOP_GEAR, None, 8, seed=s) for s in (5, 6)])
    assert sum(s.probability for s in both.suspects) + both.nothing_found_probability == pytest.approx(1.0)
    assert both.nothing_found_probability > 0.9


def test_each_recordings_own_verdict_is_kept() -> None:
    a, b = weighed(DIRECT_GEAR, "engine", 7), weighed(TOP_GEAR, "engine", 8, seed=2)
    both = judged_together([a, b])
    assert both.verdict.startswith("From 2 recordings together: ")
    assert sum(" alone: " in note for note in both.notes) == 2


def test_recordings_of_vehicles_with_different_parts_are_not_thrown_together() -> None:
    truck = weighed(TOP_GEAR, "driveshaft", 8)
    car = weigh(truck.recording, CAR)
    with pytest.raises(VibeorderError, match="one vehicle"):
        judged_together([truck, car])


def test_a_diagnosis_is_the_telling_of_what_was_weighed() -> None:
    recording = as_recording(made(TRUCK, TOP_GEAR, "driveshaft"))
    direct = diagnose(recording, TRUCK, gear=8)
    assert np.isclose(
        direct.suspects[0].probability, told(weigh(recording, TRUCK, None, 8)).suspects[0].probability
    )
