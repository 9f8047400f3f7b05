"""The JSON that other programs rely on: the contract of the design, checked field by field."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from report_examples import audio_diagnosis, bent_flange, healthy_drive, suspect, twins

from vibeorder.diagnosis.result import Diagnosis
from vibeorder.report import SCHEMA, as_dict, as_json
from vibeorder.report.as_json import plain

# Names and types as fixed by the project's design; a field may be added, never renamed.
TOP = {
    "schema": int, "recording": dict, "speed": dict, "suspects": list, "nothing_found_probability": float,
    "runout_check": dict, "cautions": list,
}  # fmt: skip
SUSPECT = {
    "part": str, "order": float, "probability": float, "unit": str, "folded": bool, "indistinct_from": list,
    "causes": list, "first_check": str,
}  # fmt: skip
MEASURED = ("frequency_hz", "amplitude", "snr_db")
PARTS = {"tire_wheel", "driveshaft", "front_driveshaft", "engine", "motor", "half_shaft"}


def strictly_parsed(text: str) -> dict[str, object]:
    def refuse(token: str) -> None:
        raise AssertionError(f"{token} is not JSON (RFC 8259, section 6)")

    parsed: dict[str, object] = json.loads(text, parse_constant=refuse)
    return parsed


def written(diagnosis: Diagnosis) -> dict[str, object]:
    return strictly_parsed(as_json(diagnosis))


def test_every_field_of_the_contract_is_there_with_its_type() -> None:
    for diagnosis in (bent_flange(), twins(), healthy_drive(), audio_diagnosis()):
        result = written(diagnosis)
        assert result["schema"] == SCHEMA == 1
        assert {name: type(result[name]) for name in TOP} == TOP
        assert "source" in as_dict(diagnosis)["speed"]  # type: ignore[operator]
        assert set(result["runout_check"]) == {"warranted", "where", "why"}  # type: ignore[call-overload]
        for one in result["suspects"]:  # type: ignore[attr-defined]
            assert {name: type(one[name]) for name in SUSPECT} == SUSPECT
            assert all(one[name] is None or isinstance(one[name], int | float) for name in MEASURED)
            assert one["part"] in PARTS or one["part"].startswith("accessory:")


def test_suspects_come_likeliest_first_and_probabilities_sum_to_one() -> None:
    shuffled = replace(bent_flange(), suspects=bent_flange().suspects[::-1])
    result = written(shuffled)
    odds = [one["probability"] for one in result["suspects"]]  # type: ignore[attr-defined]
    assert odds == sorted(odds, reverse=True)
    assert math.isclose(sum(odds) + result["nothing_found_probability"], 1.0, abs_tol=1e-6)


def test_twins_name_each_other_as_part_and_order() -> None:
    first = written(twins())["suspects"][0]  # type: ignore[index]
    assert first["indistinct_from"] == [["engine", 1.0]]


def test_next_drive_is_a_sentence_or_null() -> None:
    assert written(bent_flange())["next_drive"] is None
    assert isinstance(written(twins())["next_drive"], str)


def test_what_was_not_measured_is_null_and_never_nan() -> None:
    odd = suspect("engine", 1.0, 0.5, None, amplitude=math.nan, snr_db=-math.inf)
    diagnosis = replace(bent_flange(), suspects=(odd,), recording={"peak": np.float64("nan")})
    result = written(diagnosis)
    one = result["suspects"][0]  # type: ignore[index]
    assert one["frequency_hz"] is None
    assert one["amplitude"] is None
    assert one["snr_db"] is None
    assert result["recording"] == {"peak": None}


def test_microphone_amplitudes_have_no_g() -> None:
    first = written(audio_diagnosis())["suspects"][0]  # type: ignore[index]
    assert first["unit"] == "relative"
    assert first["amplitude_g"] is None


def test_amplitude_in_g_uses_standard_gravity() -> None:
    # 3rd CGPM (1901): 9.80665 m/s^2. 0.30 / 9.80665 = 0.0305915
    assert math.isclose(written(bent_flange())["suspects"][0]["amplitude_g"], 0.0305915, abs_tol=1e-6)  # type: ignore[index]


def test_several_recordings_make_one_object_with_a_list() -> None:
    result = strictly_parsed(as_json((bent_flange(), twins())))
    assert result["schema"] == 1
    assert len(result["results"]) == 2  # type: ignore[arg-type]


def test_an_empty_speed_path_is_null() -> None:
    none = np.zeros(0)
    speed = replace(bent_flange().speed, times_s=none, speed_mps=none, low_mps=none, high_mps=none)
    said = written(replace(bent_flange(), speed=speed))["speed"]
    assert said["median_mps"] is None  # type: ignore[index]


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=80, deadline=None)
@given(VALUES)
def test_any_value_becomes_strict_json(value: object) -> None:
    json.dumps(plain(value), allow_nan=False)


@settings(max_examples=80, deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_rounding_keeps_six_digits(value: float) -> None:
    rounded = plain(value)
    assert isinstance(rounded, float)
    assert math.isclose(rounded, value, rel_tol=5.1e-6, abs_tol=1e-300)


def documented(heading: str) -> set[str]:
    """The fields that one table of docs/json.md lists."""
    page = Path(__file__).resolve().parents[1] / "docs" / "json.md"
    section = page.read_text(encoding="utf-8").split(heading, 1)[1].split("\n## ", 1)[0]
    return {line.split("`")[1] for line in section.splitlines() if line.startswith("| `")}


def test_every_field_is_documented_and_every_documented_field_is_written() -> None:
    result = written(twins())
    assert documented("# The JSON result") == set(result)
    assert documented("## Each of `suspects`") == set(result["suspects"][0])  # type: ignore[index]
    assert documented("## `speed`") == set(result["speed"])  # type: ignore[call-overload]
    assert documented("## Each of `lines`") == set(result["lines"][0])  # type: ignore[index]
