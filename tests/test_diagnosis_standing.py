"""Standing still there is no next drive: what is recorded next is another engine speed."""

from dataclasses import replace

from report_examples import bent_flange, healthy_drive, twins

from vibeorder.diagnosis.standing import as_standing
from vibeorder.report.wording import speed_lines


def test_unsettled_at_a_standstill_another_engine_speed_is_asked_for() -> None:
    unsure = twins()
    unsure = replace(
        unsure, suspects=tuple(replace(s, probability=0.5 * s.probability) for s in unsure.suspects)
    )
    told = as_standing(unsure, 2000.0 / 60.0)
    assert told.next_drive is not None
    assert "hold the engine at 2400 rpm" in told.next_drive.instruction
    assert "resonance" in told.next_drive.reason


def test_settled_at_a_standstill_nothing_more_is_asked_for() -> None:
    for found in (bent_flange(), healthy_drive()):
        assert as_standing(found, 30.0).next_drive is None


def test_a_vehicle_that_stood_is_said_to_have_stood_and_has_no_speed() -> None:
    first = speed_lines(as_standing(bent_flange(), 30.0).speed)[0]
    assert first == "Speed: none, the vehicle stood."
