"""The vehicle's TOML file: what it accepts, and that every mistake ends in one sentence with a guess."""

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.errors import VehicleError
from vibeorder.vehicle import Vehicle, load_vehicle, parse_vehicle, profile

STEADY = settings(deadline=None, derandomize=True)  # same draws each run, however busy the machine

TRUCK = """
[vehicle]
name = "shop truck"
layout = "4wd"
[tire]
size = "275/65R18"
[axle]
ratio = 3.73
[transmission]
gears = [4.70, 2.99, 2.15, 1.77, 1.00]
[transfer]
low_range = 2.72
[driveshaft]
pieces = 2
[engine]
cylinders = 8
[[accessory]]
name = "alternator"
ratio = 2.8
[limits]
pinion_flange = "0.010 in"
tube_middle = "1.0 mm"
"""


def load(folder: Path, text: str) -> Vehicle:
    file = folder / "truck.toml"
    file.write_text(text, encoding="utf-8")
    vehicle = load_vehicle(file)
    assert file.read_text(encoding="utf-8") == text
    return vehicle


def test_a_whole_profile_is_read(tmp_path: Path) -> None:
    truck = load(tmp_path, TRUCK)
    assert (truck.name, truck.layout, truck.cylinders, truck.strokes) == ("shop truck", "4wd", 8, 4)
    assert truck.tire.given == "275/65R18"
    assert truck.axle_ratio == truck.front_axle_ratio == 3.73
    assert truck.gears == (4.70, 2.99, 2.15, 1.77, 1.00)
    assert (truck.low_range, truck.shaft_pieces) == (2.72, 2)
    assert truck.accessories[0].name == "alternator"
    # 0.010 in = 0.254 mm exactly (international inch)
    assert truck.limits[0].limit_m == pytest.approx(0.254e-3)
    assert truck.limits[0].given == "0.010 in"
    assert truck.limits[1].limit_m == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("right", "wrong", "sentence"),
    [
        ("3.73", "37.3", "axle ratio 37.3 is outside 1.5 to 12; did you mean 3.73?"),
        ("3.73", "373", "axle ratio 373 is outside 1.5 to 12; did you mean 3.73?"),
        ("3.73", "-3.73", "did you mean 3.73?"),
        ("3.73", "0", "axle ratio 0 is outside 1.5 to 12"),
        ("3.73", "nan", "axle ratio is nan"),
        ("3.73", '"3,73"', "write 3.73 without quotes"),
        ("3.73", "3,73", "line 8"),
        ("3.73", "3,73", "write the decimal with a point"),
        ('"275/65R18"', "275/65R18", "text goes in double quotes"),
        ('"275/65R18"', '"275/6R18"', "aspect ratio 6 %"),
        ('"275/65R18"', '"big"', "tire size 'big' is not understood"),
        ('"275/65R18"', "275", "[tire] size must be text in quotes"),
        ("ratio = 3.73", "raito = 3.73", "did you mean 'ratio'?"),
        ("cylinders", "cylnders", "did you mean 'cylinders'?"),
        ("[axle]", "[axel]", "did you mean 'axle'?"),
        ("[tire]", "[tyre]", "did you mean 'tire'?"),
        ("[limits]", "[limit]", "did you mean 'limits'?"),
        ("cylinders = 8", "low_range = 2.7", "it belongs under [transfer]"),
        ("cylinders = 8", "cylinders = 80", "it must be 0 to 16"),
        ("cylinders = 8", "cylinders = true", "must be a whole number"),
        ("cylinders = 8", "cylinders = 8\nstrokes = 3", "it must be 2 or 4"),
        ("2.15,", "3.15,", "gear 3 (3.15) is not below gear 2 (2.99)"),
        ("4.70,", "47.0,", "did you mean 4.7?"),
        ("1.00]", "1.00, -3.1]", "gear 6 ratio -3.1"),
        ("[4.70, 2.99, 2.15, 1.77, 1.00]", "5", "first gear first"),
        ("[4.70, 2.99, 2.15, 1.77, 1.00]", str([1.0] * 27), "lists 27 ratios"),
        ('"4wd"', '"six"', "write one of rwd, fwd, 4wd, awd, ev"),
        ('layout = "4wd"', "", "[vehicle] layout is missing"),
        ('size = "275/65R18"', "", "no tire is given"),
        ("ratio = 2.8", "", "number 1 has no ratio"),
        ("ratio = 2.8", "ratio = 280", "accessory alternator ratio 280"),
        ('"0.010 in"', '"0.010"', "has no unit"),
        ('"0.010 in"', "0.010", "write pinion_flange ="),
        ('"0.010 in"', '"10 in"', "check the number and its unit"),
        ("[engine]\n", "[engine\n", "not valid TOML"),
        ('size = "275/65R18"', 'circumference = "95"', "has no unit"),
        ('size = "275/65R18"', 'circumference = "9.5 in"', "outside 1070 to 4800"),
        ('size = "275/65R18"', 'size = "275/65R18"\nfront_size = "275/65R18"', "keep one"),
        ('size = "275/65R18"', 'size = "275/65R18"\ncircumference_mm = 2100', "differ by 15%"),
        ("[engine]\ncylinders = 8", "", ""),
    ],
)
def test_a_mistake_is_named_with_a_guess(tmp_path: Path, right: str, wrong: str, sentence: str) -> None:
    assert right in TRUCK
    changed = TRUCK.replace(right, wrong, 1)
    if not sentence:  # a part left out is no mistake
        assert load(tmp_path, changed).cylinders == 0
        return
    with pytest.raises(VehicleError) as caught:
        load(tmp_path, changed)
    assert sentence in str(caught.value)
    assert str(caught.value).startswith("truck.toml")
    assert "\n" not in str(caught.value)


def test_what_is_left_out_is_said_with_the_parts_that_are_not_judged() -> None:
    bare = parse_vehicle({"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}})
    said = " / ".join(bare.notes)
    for expected in ("add [axle] ratio", "add [transmission] gears", "add [engine] cylinders", "independent"):
        assert expected in said
    whole = parse_vehicle(
        {
            "vehicle": {"layout": "rwd"},
            "tire": {"size": "225/65R17"},
            "axle": {"ratio": 3.55, "independent": True},
            "transmission": {"gears": [4.0, 1.0]},
            "engine": {"cylinders": 6},
        }
    )
    assert whole.notes == ()


def test_a_tape_measure_in_inches_is_read_and_shown_in_inches() -> None:
    vehicle = parse_vehicle({"vehicle": {"layout": "rwd"}, "tire": {"circumference": "95.2 in"}})
    assert vehicle.tire.circumference_m == pytest.approx(95.2 * 0.0254)
    assert vehicle.tire.given == "circumference 95.2 in measured"


def test_front_and_rear_sizes_may_both_be_named() -> None:
    vehicle = parse_vehicle(
        {
            "vehicle": {"layout": "rwd"},
            "tire": {"front_size": "225/45R17", "rear_size": "255/40R18"},
        }
    )
    assert vehicle.tire.given == "225/45R17"
    assert vehicle.rear_tire is not None
    assert vehicle.rear_tire.given == "255/40R18"


def test_limits_may_share_one_unit() -> None:
    vehicle = parse_vehicle(
        {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}, "limits": {"unit": "in", "hub": 0.002}}
    )
    assert vehicle.limits[0].limit_m == pytest.approx(50.8e-6)
    assert vehicle.limits[0].given == "0.002 in"


def test_an_electric_vehicle_may_call_its_reduction_the_axle_ratio() -> None:
    by_axle = parse_vehicle(
        {"vehicle": {"layout": "ev"}, "tire": {"size": "235/45R18"}, "axle": {"ratio": 9.04}}
    )
    by_motor = parse_vehicle(
        {"vehicle": {"layout": "ev"}, "tire": {"size": "235/45R18"}, "motor": {"ratio": 9.04}}
    )
    assert by_axle.motor_ratio == by_motor.motor_ratio == 9.04
    assert by_axle.axle_ratio is None


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "layout is missing"),
        (b"\xff\xfe\x00\x01", "is not UTF-8 text"),
        (b"RIFF\x00\x00\x00\x00WAVE", "not valid TOML"),
        (b"#" * 1_000_001, "is a short text file"),
        (b"a = " + b"[" * 20_000, "not"),
        (b"a = " + b"9" * 5_000, "thousands of digits"),
        (b"\xef\xbb\xbf" + TRUCK.encode(), ""),
        (TRUCK.replace("\n", "\r\n").encode(), ""),
    ],
    ids=["empty", "utf-16", "wav", "huge", "nested", "digits", "byte-order mark", "windows line ends"],
)
def test_a_file_that_is_no_profile_is_refused_and_left_alone(
    tmp_path: Path, data: bytes, sentence: str
) -> None:
    file = tmp_path / "odd.toml"
    file.write_bytes(data)
    if sentence:
        with pytest.raises(VehicleError, match=sentence):
            load_vehicle(file)
    else:
        assert load_vehicle(file).name == "shop truck"
    assert file.read_bytes() == data


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(VehicleError, match="there is no vehicle profile"):
        load_vehicle(tmp_path / "none.toml")
    with pytest.raises(VehicleError, match="is not a file"):
        load_vehicle(tmp_path)
    with pytest.raises(VehicleError):
        load_vehicle("bad\0name.toml")


VALUE = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.sampled_from(["", "rwd", "275/65R18", "0.010 in", "\n", "x" * 99]),
    st.lists(st.floats(), max_size=3),
    st.just([{"name": "pump"}]),
)
KEYS = st.sampled_from(["vehicle", "tire", "axle", "transmission", "engine", "accessory", "limits", "motor"])
INNER = st.sampled_from(
    ["layout", "size", "ratio", "gears", "cylinders", "name", "revs_per_mile", "low_range"]
)


@STEADY
@given(st.dictionaries(KEYS, VALUE | st.dictionaries(INNER, VALUE, max_size=3), max_size=5))
def test_any_mapping_is_a_vehicle_or_one_clear_sentence(mapping: dict[str, object]) -> None:
    base = {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}}
    try:
        assert isinstance(parse_vehicle(base | mapping), Vehicle)
    except VehicleError as error:
        assert str(error).startswith("vehicle profile: ")


@STEADY
@given(st.floats(1.5, 12.0).map(lambda x: round(x, 2)), st.sampled_from([0.01, 0.1, 10.0, 100.0, -1.0]))
def test_a_slipped_point_in_the_axle_ratio_is_guessed_within_its_range(ratio: float, slip: float) -> None:
    mapping = {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}, "axle": {"ratio": ratio * slip}}
    try:
        assert 1.5 <= (parse_vehicle(mapping).axle_ratio or 0.0) <= 12.0
    except VehicleError as error:
        guess = float(str(error).partition("did you mean ")[2].rstrip("?"))
        assert 1.5 <= guess <= 12.0


def documented_profiles() -> list[str]:
    page = Path(__file__).resolve().parents[1] / "docs" / "vehicle-profile.md"
    return re.findall(r"```toml\n(.*?)```", page.read_text(encoding="utf-8"), flags=re.DOTALL)


@pytest.mark.parametrize("text", documented_profiles(), ids=lambda text: text.splitlines()[1])
def test_every_profile_in_the_documentation_is_accepted_without_a_doubt(text: str, tmp_path: Path) -> None:
    assert load(tmp_path, text).notes == ()


def test_every_key_is_documented() -> None:
    page = (Path(__file__).resolve().parents[1] / "docs" / "vehicle-profile.md").read_text(encoding="utf-8")
    for section, keys in profile._KEYS.items():
        assert f"[{section}]" in page
        for key in keys:
            assert f"`{key.removeprefix('front_').removeprefix('rear_')}`" in page or f"`{key}`" in page
