"""What a microphone hears of each part: firing and its multiples, overtones of everything."""

import pytest

from vibeorder.diagnosis.candidates import FIRING_IN_SOUND, Candidate, candidates_of, in_sound, overtones
from vibeorder.vehicle import RollingTire, Vehicle


def engine_lines(cylinders: int) -> dict[float, Candidate]:
    car = Vehicle(
        "invented car",
        "fwd",
        RollingTire(2.0, 0.01, "circumference 2000 mm"),
        axle_ratio=3.9,
        gears=(3.4, 1.9, 1.3, 1.0, 0.8),
        cylinders=cylinders,
    )
    heard = in_sound(candidates_of(car), car)
    return {c.order: c for c in (*heard, *overtones(heard, car)) if c.part == "engine"}


@pytest.mark.parametrize(("cylinders", "firing"), [(3, 1.5), (4, 2.0), (5, 2.5), (6, 3.0), (8, 4.0)])
def test_every_multiple_of_firing_is_expected_in_a_sound_vehicle_whoever_it_is_a_multiple_of_besides(
    cylinders: int, firing: float
) -> None:
    """Four strokes fire cylinders / 2 times a turn (textbook); 3.0 is a three's double firing and its triple first."""
    lines = engine_lines(cylinders)
    presence, median, _ = FIRING_IN_SOUND
    for order in (firing, 2.0 * firing, 3.0 * firing):
        assert lines[order].healthy.presence == presence
        assert lines[order].healthy.median_mps2 == pytest.approx(median * firing / order)


def test_each_overtone_stands_once_and_is_weaker_than_its_line() -> None:
    lines = engine_lines(4)
    assert lines[3.0].healthy.median_mps2 < lines[1.0].healthy.median_mps2
    assert lines[3.0].healthy.presence < lines[1.0].healthy.presence
