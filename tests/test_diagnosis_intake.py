"""What the customer said is a small prior: read strictly, weighed visibly, bounded, and never on whether it shakes."""

import json
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.diagnosis import intake as intake_module
from vibeorder.diagnosis.intake import QUESTIONS, Intake, read_intake
from vibeorder.errors import VibeorderError

ANSWERS = st.fixed_dictionaries(
    {},
    optional={
        **{
            q.key: st.lists(st.sampled_from([v for v, _ in q.answers]), unique=True)
            if q.many
            else st.sampled_from([*(v for v, _ in q.answers), "not_known", "", None])
            for q in QUESTIONS
        },
        "speed": st.sampled_from(["", "55-65 mph", "about 100 km/h", None]),
        "note": st.text(max_size=20),
    },
)


@given(ANSWERS)
@settings(max_examples=50, deadline=None)
def test_answers_survive_being_stored_and_read_again(said: dict[str, object]) -> None:
    intake = Intake.from_json(said)
    assert Intake.from_json(json.dumps(intake.as_json())) == intake


def test_every_key_and_every_answer_is_in_the_modules_own_text() -> None:
    text = intake_module.__doc__ or ""
    for one in fields(Intake):
        assert f"\n    {one.name} " in text
    for question in QUESTIONS:
        for value, _ in question.answers:
            assert value in text


def test_what_was_not_said_is_nothing() -> None:
    assert Intake.from_json({"load": "not_known", "felt": [], "speed": None}).empty
    assert Intake.from_json({}) == Intake()


@pytest.mark.parametrize(
    ("said", "word"),
    [
        ('{"load": "uphill"}', "worse_pulling"),
        ('{"laod": "same"}', "'load'"),
        ('{"load": ["same", "worse_pulling"]}', "give one"),
        ('{"speed": 60}', "'speed'"),
        ('{"speed": "sixty"}', "sixty"),
        ('{"felt": {"seat": true}}', "'felt'"),
        ("[1]", "no JSON object"),
        ("{", "not JSON"),
    ],
)
def test_a_slip_is_named_with_what_to_write(said: str, word: str) -> None:
    with pytest.raises(VibeorderError) as caught:
        Intake.from_json(said)
    assert word in str(caught.value)


def test_a_file_that_is_none_ends_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(VibeorderError, match="cannot be read"):
        read_intake(tmp_path / "none.json")
    (tmp_path / "said.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(VibeorderError, match="UTF-8"):
        read_intake(tmp_path / "said.json")
