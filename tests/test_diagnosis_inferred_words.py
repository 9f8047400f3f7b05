"""What is said of the speed and beside the ranking; the words follow from the figures, no published source. Simulated
drives of invented vehicles."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
from diagnosis_examples import ELECTRIC, ELECTRIC_SWEEP, judged, made
from report_examples import suspect

from vibeorder.diagnosis import diagnose, report
from vibeorder.diagnosis.alternatives import alternatives, band_sentence, inferred_notes
from vibeorder.diagnosis.diagnose import weigh
from vibeorder.diagnosis.drive_model import DriveChoice, Standing
from vibeorder.diagnosis.drive_words import what_shows
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.lines import Line, PairLine
from vibeorder.diagnosis.twins import readings_of
from vibeorder.simulate import Drive, as_recording
from vibeorder.speed.clocks import late_words
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import parse_vehicle, sources_of

PATH = np.linspace(20.0, 30.0, 11)


def test_a_narrow_band_settles_the_speed_and_a_wide_one_leaves_it_open() -> None:
    settled = band_sentence(PATH, PATH * 0.98, PATH * 1.02, "m/s")
    wide = band_sentence(PATH, PATH * 0.7, PATH * 1.02, "m/s")
    assert "settles it: 55 to 57 mph" in settled and "56 mph" in settled
    assert "leaves it open" in wide and "39 to 57 mph" in wide
    assert settled.startswith("no speed was known")


def test_a_range_that_was_given_is_not_called_no_speed() -> None:
    said = band_sentence(PATH, PATH * 0.98, PATH * 1.02, "mph", "45-69 mph")
    assert said.startswith('the speed was given as "45-69 mph" only; the recording settles it')


def test_the_names_are_not_called_open_where_one_is_sure() -> None:
    unsure, sure = (band_sentence(PATH, PATH * 0.7, PATH, "mph", named=named) for named in (False, True))
    assert "as it does the names of the lines" in unsure
    assert "names" not in sure and "leaves it open" in sure


def test_a_speed_found_within_a_given_range_is_inferred_and_measures_no_tire() -> None:
    recording = replace(as_recording(made(ELECTRIC, ELECTRIC_SWEEP, "tire_wheel")), speed=None)
    speed = diagnose(recording, ELECTRIC, speed=parse_speed_given("35-70 mph")).speed
    assert speed.source == "inferred"
    assert speed.sentences[0].startswith('the speed was given as "35-70 mph" only')
    assert not any("nominal tire" in one for one in speed.sentences)


def test_a_log_that_runs_ahead_is_early() -> None:
    assert late_words(-0.52) == "runs 0.5 s early"
    assert late_words(0.7) == "runs 0.7 s late"


def test_a_line_without_strength_is_no_healthy_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its amplitude would be shown as 0 m/s^2, "as strong as in any healthy vehicle"."""
    recording = as_recording(made(ELECTRIC, ELECTRIC_SWEEP))
    for rms in (0.01, 0.0):

        def clear(lines: Sequence[Line | PairLine], index: int, rms: float = rms) -> Iterator[Reading]:
            return (
                replace(one, log_likelihood=one.log_likelihood + 50.0, amplitude_rms=rms)
                for one in readings_of(lines, index)
            )

        monkeypatch.setattr(report, "readings_of", clear)
        assert any(one.healthy for one in diagnose(recording, ELECTRIC).suspects) == (rms > 0.0)


def test_a_drive_has_a_reason_where_no_suspect_stands_out() -> None:
    faint = [
        Standing(("tire_wheel", float(n)), "tire", 0.05, "wheel", float(n), 1.0, 0.1, 0.05) for n in (1, 2)
    ]
    for kind in ("load", "sweep"):
        said = what_shows(faint, np.full((2, 10), 12.0), DriveChoice(kind, 20.0, 30.0))
        assert said == "no suspect stands out yet, and of all drives this one parts them best"


def test_other_parts_at_other_speeds_are_not_named_beside_nothing() -> None:
    recording = replace(as_recording(made(ELECTRIC, Drive("steady", (25.0,)), "tire_wheel")), speed=None)
    weighed = weigh(recording, ELECTRIC)
    flat = np.zeros(weighed.log_odds.size)
    assert alternatives(weighed.pieces, flat, ELECTRIC.tire.circumference_m) != ()
    speed = judged(ELECTRIC, ELECTRIC_SWEEP, "tire_wheel").speed
    few = (suspect("tire_wheel", 1.0, 0.02, 11.5),)
    assert inferred_notes(weighed.pieces, flat, ELECTRIC, speed, few, 0.98) == ()
    assert any(
        "rules out none of these" in one
        for one in inferred_notes(weighed.pieces, flat, ELECTRIC, speed, few, 0.1)
    )


def test_a_belt_driven_part_is_called_by_its_name() -> None:
    """ "The accessory alternator" is not what anybody says."""
    vehicle = parse_vehicle(
        {
            "vehicle": {"name": "invented van", "layout": "fwd"},
            "tire": {"size": "205/55R16"},
            "engine": {"cylinders": 4},
            "accessory": [{"name": "alternator", "ratio": 2.8}],
        }
    )
    (found,) = (one for one in sources_of(vehicle) if one.part == "accessory:alternator")
    assert found.label == "alternator, first order (1x)"
    assert "accessory" not in found.runout_where
