"""What the customer said is a small prior: read strictly, weighed visibly, bounded, and never on whether it shakes."""

import json
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.diagnosis import intake as intake_module
from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.intake import QUESTIONS, Intake, read_intake
from vibeorder.diagnosis.intake_weights import LEANINGS, MOST_IN_ALL, leanings_of, said_of, with_said
from vibeorder.diagnosis.posterior import Posterior
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import RollingTire, Vehicle

CANDIDATES = candidates_of(
    Vehicle(
        "invented van",
        "rwd",
        RollingTire(2.2, 0.01, "circumference 2200 mm"),
        axle_ratio=3.7,
        gears=(3.0, 1.5, 1.0),
        cylinders=6,
        half_shafts=True,
    )
)

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


ALL = (
    '{"load": "worse_pulling", "gear_change": "changes", "standing": "shakes", "felt": ["floor"], "heard": ["boom"], '
    '"after_work": ["engine"], "speed": "55-65 mph", "since": "suddenly"}'
)


@given(ANSWERS, st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_words_never_touch_whether_anything_turns_and_never_make_doubt_certainty(
    said: dict[str, object], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    p = rng.dirichlet(np.full(len(CANDIDATES) + 1, 0.3))
    alone = Posterior(p[:-1], float(p[-1]))
    pairs = {(0, 1), (2, 5)}
    found = with_said(alone, CANDIDATES, pairs, Intake.from_json(said))
    assert found.nothing == alone.nothing
    assert found.candidate.sum() + found.nothing == pytest.approx(1.0)
    for i in range(len(CANDIDATES)):
        for group in ({i}, {i} | {j for pair in pairs if i in pair for j in pair}):
            own = sorted(group)
            before, after = alone.candidate[own].sum(), found.candidate[own].sum()
            assert after < 0.9 or before >= 0.9
    odds = np.log(np.maximum(found.candidate, 1e-300) / np.maximum(alone.candidate, 1e-300))
    there = alone.candidate > 1e-12
    # two suspects' odds to each other move by twice the bound at most
    assert np.ptp(odds[there]) <= 2.0 * np.log(MOST_IN_ALL) + 1e-9 if there.any() else True


def test_no_single_answer_moves_a_suspect_by_more_than_twice() -> None:
    assert all(0.5 <= rule.factor <= 2.0 for rule in LEANINGS)
    known = {(q.key, value) for q in QUESTIONS for value, _ in q.answers} | {
        ("speed", "slow"),
        ("speed", "fast"),
    }
    assert {(rule.key, rule.answer) for rule in LEANINGS} <= known


def test_another_gear_that_changes_it_leans_to_the_engine_and_is_said() -> None:
    even = Posterior(np.full(len(CANDIDATES), 0.8 / len(CANDIDATES)), 0.2)
    intake = Intake.from_json(ALL)
    found = with_said(even, CANDIDATES, set(), intake)
    engine = sum(p for p, c in zip(found.candidate, CANDIDATES, strict=True) if c.part == "engine")
    assert engine > sum(p for p, c in zip(even.candidate, CANDIDATES, strict=True) if c.part == "engine")
    said = said_of(even, found, CANDIDATES, intake)
    assert said is not None
    assert "with what the customer said" in said.sentence
    assert "from the recording alone" in said.sentence
    assert said.part == "engine"
    assert len(said.leanings) == len(leanings_of(intake))


def test_without_words_nothing_is_said_of_them() -> None:
    even = Posterior(np.full(len(CANDIDATES), 0.8 / len(CANDIDATES)), 0.2)
    assert with_said(even, CANDIDATES, set(), None) is even
    assert said_of(even, even, CANDIDATES, Intake()) is None
