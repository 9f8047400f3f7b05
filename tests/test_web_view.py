"""What the result page shows of a diagnosis: nothing lost, nothing told by colour alone, nothing that runs."""

import csv
import io
import json
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from report_examples import audio_diagnosis, bent_flange, healthy_drive, suspect, twins, unexplained_drive

from vibeorder.diagnosis.result import Diagnosis, OrderMap
from vibeorder.vehicle import parse_vehicle
from vibeorder.vehicle.sources import CATALOGUE
from vibeorder.web.draw.frequency import DASHES, Frame, shape, stagger, style_name
from vibeorder.web.draw.ordermap import ordermap_svg
from vibeorder.web.draw.png import ink_png
from vibeorder.web.draw.spectrum import spectrum_svg
from vibeorder.web.picture import map_pixels, picture_of
from vibeorder.web.to_bench import bench_link, steps_for
from vibeorder.web.view import SPECTRUM_CSV, SUSPECTS_CSV, VIEW_FILE, view_of, write_view

ALL = (bent_flange, twins, healthy_drive, audio_diagnosis, unexplained_drive)
STATIC = Path(__file__).resolve().parents[1] / "vibeorder" / "web" / "static"
BAD = '"><script>alert(1)</script>'


def drawings(diagnosis: Diagnosis) -> list[str]:
    picture = json.loads(json.dumps(picture_of(diagnosis)))
    return [
        drawn
        for wide in (True, False)
        for drawn in (spectrum_svg(picture, wide=wide), ordermap_svg(picture, "a.png", "b.png", wide=wide))
    ]


def hostile() -> Diagnosis:
    evil = suspect(f"accessory:{BAD}", 1.0, 0.9, 35.0)
    base = bent_flange()
    return replace(base, verdict=BAD, vehicle_name=BAD, suspects=(evil, *base.suspects[1:]), history=(BAD,))


@pytest.mark.parametrize("make", ALL)
def test_the_view_is_strict_json_with_verdict_and_every_likely_part(make: Any) -> None:
    diagnosis = make()
    view = json.loads(json.dumps(view_of(diagnosis), allow_nan=False))
    assert view["verdict"] == diagnosis.verdict
    shown = {(one["part"], one["order"]) for row in view["rows"] for one in row["members"]}
    assert {(s.part, s.order) for s in diagnosis.suspects if s.probability >= 0.01} <= shown
    odds = [row["probability"] for row in view["rows"]]
    assert odds == sorted(odds, reverse=True)
    assert sum(not row["members"] for row in view["rows"]) == 1  # 'nothing that turns' is weighed beside them


def test_parts_that_cannot_be_told_apart_share_one_row_and_one_probability() -> None:
    row = view_of(twins())["rows"][0]
    assert [one["name"] for one in row["members"]] == ["driveshaft 1x", "engine 1x"]
    assert row["probability"] == pytest.approx(0.95)


def test_gaps_and_infinities_do_not_break_the_view() -> None:
    base = bent_flange()
    name, path = base.order_map.tracks[0]
    broken = np.where(np.arange(path.size) < path.size // 2, np.nan, path)
    spectrum = replace(base.spectrum, amplitude=np.where(base.spectrum.frequency_hz > 60, np.inf, np.nan))
    odd = replace(base, order_map=replace(base.order_map, tracks=((name, broken),)), spectrum=spectrum)
    json.dumps(view_of(odd), allow_nan=False)
    for drawn in drawings(odd):
        ET.fromstring(drawn)
        assert "nan" not in drawn and "inf" not in drawn


def test_an_empty_spectrum_and_map_still_draw(tmp_path: Path) -> None:
    nothing = np.zeros(0)
    spectrum = replace(bent_flange().spectrum, frequency_hz=nothing, amplitude=nothing, floor=nothing)
    bare = replace(
        bent_flange(), spectrum=spectrum, order_map=OrderMap(nothing, nothing, np.zeros((0, 0))), lines=()
    )
    write_view(bare, tmp_path)
    for drawn in drawings(bare):
        ET.fromstring(drawn)


@pytest.mark.parametrize("make", (*ALL, hostile))
def test_drawings_are_well_formed_and_carry_neither_style_nor_script(make: Any) -> None:
    for drawn in drawings(make()):
        root = ET.fromstring(drawn)
        for element in root.iter():
            assert element.tag in {
                "svg", "title", "desc", "g", "path", "rect", "circle", "text", "image"
            }  # fmt: skip
            assert not [name for name in element.attrib if name == "style" or name.startswith("on")]


@pytest.mark.parametrize("make", ALL)
def test_a_screen_reader_hears_what_each_letter_is(make: Any) -> None:
    # WAI-ARIA 1.2: an element of role img is named by aria-labelledby and described by aria-describedby
    for drawn in drawings(make()):
        root = ET.fromstring(drawn)
        assert root.get("role") == "img"
        texts = {one.get("id"): one.text or "" for one in root if one.get("id")}
        assert texts[root.get("aria-labelledby")]
        description = texts[root.get("aria-describedby")]
        letters = {one.get("data-letter") for one in root.iter("g") if "lettered" in str(one.get("class"))}
        assert all(f"{letter}: " in description for letter in letters)


def test_wide_and_narrow_drawings_on_one_page_share_no_id() -> None:
    ids = re.findall(r' id="([^"]+)"', "".join(drawings(bent_flange())))
    assert len(ids) == len(set(ids)) == 8


def test_each_kind_of_part_has_a_shape_of_its_own() -> None:
    # WCAG 2.2, 1.4.1: colour is not the only means of telling things apart
    shapes = {kind: shape(kind, 0.0, 0.0, 12.0) for kind in DASHES}
    assert len(set(shapes.values())) == len(shapes)
    assert style_name("accessory:water pump") == "accessory"
    for source in CATALOGUE:
        assert style_name(source.part) in DASHES


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 definition."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def tokens(css: str) -> list[dict[str, str]]:
    """Custom properties of the light scheme and of the dark one."""
    light, _, dark = css.partition("prefers-color-scheme: dark")
    return [dict(re.findall(r"(--[\w-]+):\s*(#[0-9a-fA-F]{6})", part)) for part in (light, dark)]


def test_every_part_stands_out_from_light_and_from_dark_paper() -> None:
    # WCAG 2.2, 1.4.11: graphical objects 3:1 against what is beside them; black on white is 21:1
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    sheets = tokens((STATIC / "sheet.css").read_text("utf-8"))
    figures = tokens((STATIC / "figures.css").read_text("utf-8"))
    for sheet, figure in zip(sheets, figures, strict=True):
        parts = {name: colour for name, colour in figure.items() if name.startswith("--part-")}
        assert len(parts) == len(DASHES)
        for name, colour in parts.items():
            assert contrast(colour, sheet["--paper"]) >= 3.0, name


def test_a_letter_stands_at_its_frequency_on_a_logarithmic_axis() -> None:
    drawn = ET.fromstring(drawings(bent_flange())[0])
    low, top, left, right = (float(str(drawn.get(f"data-{n}"))) for n in ("low", "top", "left", "right"))
    line = next(
        one
        for one in drawn.iter("path")
        if one.get("data-letter") == "A" and "line" in str(one.get("class")).split()
    )
    x = float(str(line.get("d")).partition("L")[2].split()[0])
    assert x == pytest.approx(
        left + (right - left) * math.log10(40.31 / low) / math.log10(top / low), abs=0.6
    )


def test_letters_are_the_same_in_spectrum_and_map() -> None:
    picture = picture_of(bent_flange())
    letters = {one["name"]: one["letter"] for one in picture["marks"]}
    for track in picture["map"]["tracks"]:
        assert letters.get(track["name"], track["letter"]) == track["letter"]
    everyone = [one["letter"] for one in picture["marks"]]
    assert len(everyone) == len(set(everyone))


def test_a_line_above_half_the_sample_rate_stands_at_its_mirror_image() -> None:
    # Nyquist folding: 230 Hz sampled at 400 Hz shows at 400 - 230 = 170 Hz
    high = suspect("engine", 8.0, 0.5, 230.0, folded=True)
    picture = picture_of(replace(bent_flange(), suspects=(high,)))
    mark = picture["marks"][0]
    assert mark["hz"] == pytest.approx(170.0)
    assert "230.00" in mark["text"] and "170.0 Hz" in mark["text"]


def test_no_peak_of_the_spectrum_is_lost_on_a_small_screen() -> None:
    view = bent_flange().spectrum
    shown = picture_of(bent_flange())
    drawn = shown["spectrum"]
    assert len(drawn["hz"]) < view.frequency_hz.size
    use = (view.frequency_hz >= 3.0) & (view.frequency_hz <= shown["top_hz"])
    assert max(drawn["amplitude"]) == pytest.approx(float(view.amplitude[use].max()), rel=1e-4)
    for peak in (11.55, 40.31, 71.3):
        near = (view.frequency_hz > peak - 0.3) & (view.frequency_hz < peak + 0.3)
        found = [a for hz, a in zip(drawn["hz"], drawn["amplitude"], strict=True) if abs(hz - peak) < 0.3]
        assert max(found) == pytest.approx(float(view.amplitude[near].max()), rel=1e-4)


def test_a_swept_rate_is_a_band_and_a_line_in_it_says_who_passed() -> None:
    steady, swept = bent_flange(drift=0.0), bent_flange(drift=0.12)
    assert picture_of(steady)["marks"][0]["band"] is None
    low, high = picture_of(swept)["marks"][0]["band"]
    path = swept.order_map.tracks[0][1]
    assert (low, high) == pytest.approx((path.min(), path.max()), rel=1e-4)
    nameless = next(one for one in picture_of(steady)["others"] if abs(one["hz"] - 71.3) < 0.1)
    assert "no part's rate" in nameless["text"]


def test_ink_lies_where_the_map_is_loud() -> None:
    times, hz = np.arange(20.0), np.arange(1.0, 150.0, 0.5)
    level = np.full((20, hz.size), -60.0)
    level[:, np.argmin(abs(hz - 50.0))] = -10.0
    loud = replace(bent_flange(), order_map=OrderMap(times, hz, level))
    drawn = map_pixels(loud)
    top = picture_of(loud)["top_hz"]
    column = int(drawn.sum(axis=0).argmax())
    at = 3.0 * (top / 3.0) ** ((column + 0.5) / drawn.shape[1])
    assert at == pytest.approx(50.0, rel=0.01)
    assert drawn.min() >= 0.0 and drawn.max() <= 1.0


@settings(deadline=None)  # the first example pays for importing the reader
@given(arrays(np.float64, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=st.floats(0.0, 1.0)))
def test_a_picture_reads_back_as_it_was_written(share: np.ndarray[Any, np.dtype[np.float64]]) -> None:
    from PIL import Image  # a general-purpose reader of PNG

    with Image.open(io.BytesIO(ink_png(share, (29, 33, 38)))) as image:
        pixels = np.asarray(image.convert("RGBA"))
    assert pixels.shape == (*share.shape, 4)
    assert np.array_equal(pixels[..., 3], np.rint(255 * share).astype(np.uint8))
    assert (pixels[..., :3] == (29, 33, 38)).all()


def test_a_picture_without_pixels_is_refused() -> None:
    with pytest.raises(ValueError, match="rows and columns"):
        ink_png(np.zeros((0, 4)), (0, 0, 0))


@settings(deadline=None)
@given(st.lists(st.floats(44.0, 378.0), max_size=14))
def test_tags_never_overlap(places: list[float]) -> None:
    frame = Frame(3.0, 200.0, wide=False)
    tags = stagger(places, 40.0, frame)
    for i, (x, storey) in enumerate(tags):
        assert 20.0 <= x <= frame.width - 20.0
        assert all(storey != s or abs(x - other) >= 40.0 for other, s in tags[:i])


def test_the_tables_to_keep_read_back_with_every_suspect_and_bin(tmp_path: Path) -> None:
    diagnosis = bent_flange()
    write_view(diagnosis, tmp_path)
    rows = list(csv.DictReader(io.StringIO((tmp_path / SUSPECTS_CSV).read_text("utf-8"))))
    assert len(rows) == len(diagnosis.suspects)
    assert rows[0]["part"] == "driveshaft"
    total = sum(float(row["probability"]) for row in rows) + diagnosis.nothing_found_probability
    assert total == pytest.approx(1.0, abs=1e-4)
    bins = list(csv.reader(io.StringIO((tmp_path / SPECTRUM_CSV).read_text("utf-8"))))
    assert bins[0] == ["frequency_hz", "amplitude_m_per_s2", "noise_floor_m_per_s2"]
    assert len(bins) == 1 + diagnosis.spectrum.frequency_hz.size
    assert json.loads((tmp_path / VIEW_FILE).read_text("utf-8"))["verdict"] == diagnosis.verdict


def test_a_name_that_a_spreadsheet_would_run_is_text(tmp_path: Path) -> None:
    # OWASP, "CSV Injection": cells that begin with = + - @ are formulas; an apostrophe makes them text
    evil = suspect("accessory:pump", 1.0, 0.9, 35.0)
    write_view(replace(bent_flange(), suspects=(replace(evil, label='=HYPERLINK("x")'),)), tmp_path)
    row = next(csv.DictReader(io.StringIO((tmp_path / SUSPECTS_CSV).read_text("utf-8"))))
    assert row["label"].startswith("'=")
    assert float(row["probability"]) == pytest.approx(0.9)


# common practice, no source: runout first, half a turn next, angles for a second order; a balancer for none
def test_a_first_order_driveshaft_leads_to_runout_and_then_half_a_turn() -> None:
    assert [step.sheet for step in steps_for("driveshaft", 1.0)] == ["runout", "half-turn"]
    assert [step.sheet for step in steps_for("front_driveshaft", 1.0)] == ["runout", "half-turn"]


def test_a_second_order_driveshaft_leads_to_the_joint_angles() -> None:
    assert [step.sheet for step in steps_for("driveshaft", 2.0)] == ["angles"]


def test_a_tire_leads_to_runout_and_nothing_leads_to_the_balancer() -> None:
    assert [step.sheet for step in steps_for("tire_wheel", 1.0)] == ["runout"]
    assert all(step.sheet != "balance" for s in CATALOGUE for step in steps_for(s.part, s.order))


def test_a_runout_sheet_is_offered_exactly_where_the_catalogue_puts_an_indicator() -> None:
    for source in CATALOGUE:
        offered = any(step.sheet == "runout" for step in steps_for(source.part, source.order))
        assert offered == bool(source.runout_where), source.label


def test_the_sheet_comes_with_part_order_origin_and_the_makers_limit() -> None:
    truck = parse_vehicle(
        {
            "vehicle": {"name": "Invented", "layout": "rwd"},
            "tire": {"size": "275/65R18"},
            "axle": {"ratio": 3.73},
            "limits": {"driveshaft_rear": "0.6 mm"},
        },
        "vehicle",
    )
    runout, half_turn = steps_for("driveshaft", 1.0)
    link = urlsplit(bench_link(runout, "driveshaft", 1.0, "ab12", 2, truck))
    assert link.path == "/bench/runout"
    assert parse_qs(link.query) == {
        "part": ["driveshaft"], "order": ["1"], "from": ["ab12"], "recording": ["2"], "place": ["tube_rear"],
        "limit": ["0.6 mm"],
    }  # fmt: skip
    assert "limit" not in parse_qs(urlsplit(bench_link(half_turn, "driveshaft", 1.0, "ab12", 1, truck)).query)
    assert "limit" not in bench_link(runout, "driveshaft", 1.0, "ab12", 1, None)
