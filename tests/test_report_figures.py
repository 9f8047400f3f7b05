"""The picture: every part's rates are on it by label and marker, and no label covers another."""

import struct
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from report_examples import audio_diagnosis, bent_flange, healthy_drive, suspect, twins

from vibeorder.diagnosis.result import Diagnosis, OrderMap, SpectrumView
from vibeorder.report import draw, png_bytes, save_figure
from vibeorder.report.figures import STYLES


def drawn(diagnosis: Diagnosis) -> Figure:
    figure = draw(diagnosis)
    FigureCanvasAgg(figure).draw()  # type: ignore[no-untyped-call]
    return figure


def labels_overlap(axes: Axes) -> list[tuple[str, str]]:
    boxes = [(text.get_text(), text.get_window_extent()) for text in axes.texts if text.get_text()]
    return [(a, b) for (a, one), (b, other) in combinations(boxes, 2) if one.overlaps(other)]


def test_png_is_a_png_of_readable_size() -> None:
    data = png_bytes(bent_flange(), dpi=60)
    # PNG specification (ISO/IEC 15948), 5.2 signature and 11.2.2 IHDR
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", data[16:24])
    assert width == 660
    assert height > 400


def test_every_part_has_its_row_and_every_order_its_label() -> None:
    pegs = drawn(bent_flange()).axes[0]
    assert [tick.get_text() for tick in pegs.get_yticklabels()] == [
        "driveshaft", "tire/wheel", "half-shaft", "engine", "water pump",
    ]  # fmt: skip
    orders = [text.get_text() for text in pegs.texts]
    assert sum(text.endswith("x") for text in orders) == len(bent_flange().suspects)


def test_parts_differ_by_marker_and_not_by_colour_alone() -> None:
    markers = [marker for marker, _ in STYLES.values()]
    assert len(set(markers)) == len(markers)


@pytest.mark.parametrize("make", [bent_flange, twins, audio_diagnosis])
def test_no_label_covers_another(make: object) -> None:
    for axes in drawn(make()).axes:  # type: ignore[operator]
        assert labels_overlap(axes) == []


def test_near_orders_of_one_part_do_not_write_over_each_other() -> None:
    near = tuple(suspect("engine", order, 0.1, 30.0 * order) for order in (1.0, 1.06, 2.0))
    pegs = drawn(replace(bent_flange(), suspects=near)).axes[0]
    assert labels_overlap(pegs) == []


def test_tracks_are_named_at_their_foot() -> None:
    names = {text.get_text() for text in drawn(bent_flange()).axes[2].texts}
    assert {"driveshaft 1x", "engine 4x", "tire/wheel 1x"} <= names


def test_dollar_signs_are_letters_and_not_mathematics() -> None:
    drawn(replace(bent_flange(), verdict="costs $5_a to $^ check", vehicle_name="$x^$"))


def test_a_diagnosis_with_nothing_to_show_still_draws() -> None:
    none = np.zeros(0)
    empty = replace(
        healthy_drive(),
        suspects=(),
        lines=(),
        spectrum=SpectrumView(none, none, none, "relative"),
        order_map=OrderMap(none, none, np.zeros((0, 0))),
    )
    drawn(empty)


def test_gaps_in_the_order_map_are_left_blank() -> None:
    view = bent_flange().order_map
    level = view.level_db.copy()
    level[10:20] = np.nan
    drawn(replace(bent_flange(), order_map=replace(view, level_db=level)))


@pytest.mark.parametrize(("ending", "head"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_the_ending_names_the_format(tmp_path: Path, ending: str, head: bytes) -> None:
    path = tmp_path / f"picture.{ending}"
    save_figure(bent_flange(), path)
    assert path.read_bytes().startswith(head)
