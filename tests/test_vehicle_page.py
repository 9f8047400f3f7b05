"""docs/vehicle-profile.md against the program: every key in its section, every bound, every default.

`PYTHONPATH=. python tests/test_vehicle_page.py` rewrites the table of places that limits are kept for.
"""

import re
import sys

import pytest
from pages import DOCS

from vibeorder.bench import PLACES, find_place, limit_for
from vibeorder.errors import VehicleError
from vibeorder.vehicle import parse_vehicle, profile
from vibeorder.vehicle.limit_places import LIMIT_PLACES

PAGE = DOCS / "vehicle-profile.md"
PART = re.compile(r"(<!-- limits -->\n).*?(<!-- end -->)", re.DOTALL)


def limits_table() -> str:
    """Each place with all keys under which its limit is found."""
    rows = ["| place | keys |", "|---|---|"]
    rows += [f"| {p.label} | {', '.join(f'`{key}`' for key in (p.key, *p.also))} |" for p in PLACES]
    return "\n".join(rows)


def with_limits(page: str) -> str:
    return PART.sub(lambda found: f"{found[1]}{limits_table()}\n{found[2]}", page)


def sections() -> dict[str, dict[str, str]]:
    """Section -> key -> its row, of the table of sections."""
    page = PAGE.read_text(encoding="utf-8")
    table = page.split("\n## Sections", 1)[1].split("\n## ", 1)[0]
    found: dict[str, dict[str, str]] = {}
    section = ""
    for line in table.splitlines():
        if line.startswith("| ") and not line.startswith(("| Section", "|---")):
            cells = line.split(" | ")
            section = cells[0].strip("| `[]") or section
            for key in re.findall(r"`([a-z_.]+)`", cells[1]):
                found.setdefault(section, {})[key] = line
    return found


def test_every_key_of_every_section_has_its_row_in_that_section() -> None:
    described = sections()
    for section, keys in profile._KEYS.items():
        plain = {re.sub("^(front|rear)_(?=size|dia|rev|circ)", "", key) for key in keys}
        assert plain <= set(described[section]), section
    assert set(described["accessory"]) == set(profile._ACCESSORY_KEYS)
    assert set(described) == set(profile._SECTIONS) - {"limits"}


def test_no_row_describes_a_key_that_is_refused() -> None:
    for section, keys in sections().items():
        known = set(profile._ACCESSORY_KEYS if section == "accessory" else profile._KEYS[section])
        assert set(keys) - {"front_...", "rear_..."} <= known, section


BOUNDS = (
    ("axle", "ratio", profile.AXLE_RATIO), ("axle", "front_ratio", profile.AXLE_RATIO),
    ("transmission", "gears", profile.GEAR_RATIO), ("transmission", "final_drive", profile.AXLE_RATIO),
    ("transfer", "low_range", profile.LOW_RANGE), ("motor", "ratio", profile.MOTOR_RATIO),
    ("accessory", "ratio", profile.PULLEY_RATIO), ("tire", "diameter_mm", profile.DIAMETER_MM),
    ("tire", "revs_per_mile", profile.REVS_PER_MILE), ("tire", "revs_per_km", profile.REVS_PER_KM),
    ("tire", "circumference_mm", profile.CIRCUMFERENCE_MM),
)  # fmt: skip


@pytest.mark.parametrize(("section", "key", "bounds"), BOUNDS, ids=[f"{s}.{k}" for s, k, _ in BOUNDS])
def test_the_bounds_are_those_that_are_checked(section: str, key: str, bounds: tuple[float, float]) -> None:
    assert f"{bounds[0]:g} to {bounds[1]:g}" in sections()[section][key]


def test_left_out_is_what_the_page_says() -> None:
    least = {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}}
    truck = parse_vehicle(least)
    assert truck.name == "unnamed vehicle"
    assert (truck.shaft_pieces, truck.strokes, truck.cylinders, truck.gears) == (None, 4, 0, ())
    assert not truck.half_shafts
    assert parse_vehicle(least | {"vehicle": {"layout": "fwd"}}).half_shafts
    four = least | {"vehicle": {"layout": "4x4"}, "axle": {"ratio": 3.73}}
    assert (parse_vehicle(four).layout, parse_vehicle(four).front_axle_ratio) == ("4wd", 3.73)
    crosswise = four | {"transmission": {"final_drive": 3.5}}
    assert parse_vehicle(crosswise).front_axle_ratio is None
    electric = least | {"vehicle": {"layout": "bev"}, "axle": {"ratio": 9.0}}
    assert (parse_vehicle(electric).layout, parse_vehicle(electric).motor_ratio) == ("ev", 9.0)


def test_every_other_name_of_a_layout_is_taken_as_the_page_says() -> None:
    said = re.findall(
        r'((?:`"\w+"`(?: and )?)+) (?:is taken )?as `"(\w+)"`', PAGE.read_text(encoding="utf-8")
    )
    names = {name: layout for others, layout in said for name in re.findall(r'"(\w+)"', others)}
    assert set(names) == {"4x4", "2wd", "electric", "bev"}
    tire = {"size": "225/65R17"}
    assert {n: parse_vehicle({"vehicle": {"layout": n}, "tire": tire}).layout for n in names} == names


def test_limits_reach_from_a_thousandth_of_a_millimeter_to_twenty_five() -> None:
    low, high = profile.LIMIT_M
    assert f"A limit is {low * 1e3:g} to {high * 1e3:g} mm" in PAGE.read_text(encoding="utf-8")
    with pytest.raises(VehicleError, match="outside"):
        parse_vehicle(
            {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}, "limits": {"tube_rear": "26 mm"}}
        )


@pytest.mark.parametrize("key", sorted({key for place in PLACES for key in (place.key, *place.also)}))
def test_every_key_in_the_table_of_limits_gives_its_place_a_limit(key: str) -> None:
    truck = parse_vehicle(
        {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}, "limits": {key: "0.25 mm"}}
    )
    place = next(place for place in PLACES if key in (place.key, *place.also))
    found = limit_for(None, truck, find_place(place.key))
    assert found is not None
    assert found.limit_m == pytest.approx(0.25e-3)


@pytest.mark.parametrize("name", LIMIT_PLACES)
def test_every_place_that_a_profile_may_name_has_a_limit_at_the_bench(name: str) -> None:
    truck = parse_vehicle(
        {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}, "limits": {name: "0.25 mm"}}
    )
    assert any(limit_for(None, truck, place) is not None for place in PLACES)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("pinion_flang", "pinion_flange"),
        ("tyre_radial", "tire_radial"),
        ("drive shaft front", "driveshaft_front"),
    ],
)
def test_a_misspelt_place_is_refused_with_the_one_that_was_meant(typed: str, meant: str) -> None:
    with pytest.raises(VehicleError, match=f"no place '{typed}'; did you mean '{meant}'"):
        parse_vehicle(
            {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}, "limits": {typed: "0.25 mm"}}
        )


def test_the_page_says_that_an_unknown_place_is_refused_and_which_part_stands_for_all_of_its_places() -> None:
    page = PAGE.read_text(encoding="utf-8").split("\n## Limits", 1)[1].split("\n## ", 1)[0]
    assert "any other is refused" in page
    parts = set(re.findall(r"`(\w+)`", page.split("the part alone", 1)[1].split(")", 1)[0]))
    shown = {key for place in PLACES for key in (place.key, *place.also)}
    assert {
        name for name in LIMIT_PLACES if any(key.startswith(f"{name}_") for key in shown)
    } - shown == parts
    with pytest.raises(VehicleError, match="no place 'moon_gear'; known are"):
        parse_vehicle(
            {"vehicle": {"layout": "rwd"}, "tire": {"size": "225/65R17"}, "limits": {"moon_gear": "1 mm"}}
        )


def test_the_table_of_limits_is_the_catalogue_of_places() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == with_limits(page), "run PYTHONPATH=. python tests/test_vehicle_page.py to rewrite it"


if __name__ == "__main__":
    PAGE.write_text(with_limits(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    sys.stdout.write("docs/vehicle-profile.md is written\n")
