"""A held speed that nobody told: many names for one line, and what is said of them. Invented shares."""

from dataclasses import replace

from report_examples import bent_flange, suspect

from vibeorder.diagnosis.advice import named_as_one, runout_check, verdict
from vibeorder.diagnosis.result import Diagnosis, Suspect
from vibeorder.report import as_text

PARTS = (("driveshaft", 1.0), ("engine", 1.0), ("engine", 1.5), ("tire_wheel", 3.0), ("tire_wheel", 4.0))
SHARES = (0.31, 0.2, 0.16, 0.12, 0.1)


def alike() -> tuple[Suspect, ...]:
    return tuple(
        suspect(part, order, p, 50.6, indistinct_from=tuple(k for k in PARTS if k != (part, order)))
        for (part, order), p in zip(PARTS, SHARES, strict=True)
    )


def untold() -> Diagnosis:
    plain = bent_flange()
    return replace(
        plain,
        suspects=alike(),
        nothing_found_probability=0.11,
        verdict=verdict(alike(), 0.11),
        speed=replace(plain.speed, source="inferred"),
    )


def test_a_verdict_over_many_names_says_first_that_it_cannot_tell_which() -> None:
    said = verdict(alike(), 0.11)
    assert said.startswith("This recording cannot tell which part shakes at 50.6 Hz: the driveshaft")
    assert said.endswith("(67%), or one of 2 others; all of them together 89%.")


def test_few_names_are_all_in_the_verdict() -> None:
    two = (
        suspect("driveshaft", 1.0, 0.6, 50.6, indistinct_from=(("engine", 1.0),)),
        suspect("engine", 1.0, 0.35, 50.6, indistinct_from=(("driveshaft", 1.0),)),
    )
    assert "cannot tell which of these" in verdict(two, 0.05)


def test_the_report_gives_each_names_share_and_lays_out_three() -> None:
    text = " ".join(as_text(untold()).split())
    assert "Driveshaft 1x (31%), engine 1x (20%)" in text
    assert "1. or one of 2 more of the table First the next drive" in text
    assert text.count("First check:") == 3


def test_names_alike_at_a_told_speed_share_without_figures() -> None:
    text = " ".join(as_text(replace(untold(), speed=bent_flange().speed)).split())
    assert "Driveshaft 1x, engine 1x, engine 1.5x" in text


def test_a_runout_check_that_is_not_warranted_names_all_the_parts_whose_share_it_states() -> None:
    places = {("tire_wheel", 1.0): "the tire", ("driveshaft", 1.0): "the flange"}
    three = (
        suspect("engine", 1.0, 0.5, 50.6, indistinct_from=(("driveshaft", 1.0), ("tire_wheel", 1.0))),
        suspect("driveshaft", 1.0, 0.2, 50.6, indistinct_from=(("engine", 1.0), ("tire_wheel", 1.0))),
        suspect("tire_wheel", 1.0, 0.15, 50.6, indistinct_from=(("engine", 1.0), ("driveshaft", 1.0))),
    )
    check = runout_check(three, places, 0.15)
    assert not check.warranted
    assert "driveshaft, order 1 (1x) or the tire wheel, order 1 (1x) is only 35% likely" in check.why


def test_whom_the_verdict_names_together_is_said_to_be_indistinct_in_every_row() -> None:
    between = ("engine", 1.0)
    chain = (
        suspect("driveshaft", 1.0, 0.5, 50.6, indistinct_from=(between,)),
        suspect("engine", 1.0, 0.3, 50.6, indistinct_from=(("driveshaft", 1.0), ("engine", 1.5))),
        suspect("engine", 1.5, 0.15, 50.6, indistinct_from=(between,)),
        suspect("tire_wheel", 1.0, 0.02, 12.0, indistinct_from=(("half_shaft", 1.0),)),
    )
    told = named_as_one(chain)
    assert all(one.label in verdict(told, 0.03) for one in told[:3])
    assert set(told[0].indistinct_from) == {between, ("engine", 1.5)}
    assert set(told[2].indistinct_from) == {between, ("driveshaft", 1.0)}
    assert told[1] == chain[1] and told[3] == chain[3]
