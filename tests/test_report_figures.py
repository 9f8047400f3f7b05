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
from vibeorder.report.figure_style import STYLES


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


def beyond(figure: Figure) -> list[str]:
    """What is drawn outside its axes: markers, lines and names in the spectrum and the map, pegs and their orders."""
    out = []
    for axes in figure.axes:
        frame = axes.get_window_extent().padded(1.0)
        for text in axes.texts:
            box = text.get_window_extent()
            if text.get_text() and not (frame.x0 <= box.x0 and box.x1 <= frame.x1 and frame.y0 <= box.y0):
                out.append(text.get_text())
        for line in axes.lines:
            if line.get_marker() not in ("", "None", None):
                at = axes.transData.transform(np.column_stack(line.get_data()).astype(float))
                half = line.get_markersize() * figure.dpi / 72 / 2
                out += [str(line.get_marker()) for x, y in at if not frame.padded(-half).contains(x, y)]
            if not line.get_clip_on():
                out.append("not clipped")
    return out


@pytest.mark.parametrize("make", [bent_flange, twins, audio_diagnosis])
def test_nothing_is_drawn_outside_the_axes(make: object) -> None:
    assert beyond(drawn(make())) == []  # type: ignore[operator]


def test_a_track_that_leaves_the_axis_ends_there_and_a_folded_one_comes_back() -> None:
    base = bent_flange()
    view = base.order_map
    up = np.linspace(20.0, 260.0, view.times_s.size)
    figure = drawn(replace(base, order_map=replace(view, tracks=(("engine 1x", up),))))
    assert beyond(figure) == []
    slow = replace(base, recording={**base.recording, "rate_hz": 300.0})
    figure = drawn(replace(slow, order_map=replace(view, tracks=(("engine 1x", up),))))
    shown = figure.axes[2].lines[0].get_xdata()
    # sampled at 300 a second, 200 Hz shows at 100 Hz: the sampling theorem
    at_200 = int(np.argmin(abs(up - 200.0)))
    assert float(np.asarray(shown)[at_200]) == pytest.approx(300.0 - up[at_200])


def test_a_track_above_what_sound_keeps_is_not_mirrored_into_the_picture() -> None:
    base = audio_diagnosis()
    sound = {**base.recording, "rate_hz": 300.0, "kind": "audio"}
    high = np.full(base.order_map.times_s.size, 260.0)
    figure = drawn(
        replace(base, recording=sound, order_map=replace(base.order_map, tracks=(("motor 1x", high),)))
    )
    assert [text.get_text() for text in figure.axes[2].texts] == []


def test_a_folded_suspect_stands_where_the_samples_show_it() -> None:
    base = bent_flange()
    folded = suspect("engine", 4.0, 0.9, 120.5, folded=True)
    slow = replace(base, suspects=(folded,), recording={**base.recording, "rate_hz": 200.0})
    places = [
        float(np.asarray(line.get_xdata())[0])
        for line in drawn(slow).axes[0].lines
        if line.get_marker() == "^"
    ]
    assert places == [pytest.approx(79.5)]  # 200 - 120.5: the sampling theorem


def test_names_stand_on_peaks_that_are_drawn() -> None:
    """The flange's rate moved by a quarter: its name is led down to the highest point of the range it passed."""
    base = bent_flange()
    spectrum = drawn(base).axes[1]
    view = base.spectrum
    peaks = {name.get_text(): name.xy for name in spectrum.texts if hasattr(name, "xy")}
    assert "driveshaft 1x, 35 to 45 Hz: 97%" in peaks
    line = int(np.argmin(abs(view.frequency_hz - peaks["engine 4x (firing)"][0])))
    assert peaks["engine 4x (firing)"][1] == pytest.approx(view.amplitude[line])
    foot = min(float(np.min(line.get_ydata())) for line in spectrum.lines if line.get_linewidth() == 1.4)
    assert foot == pytest.approx(float(view.amplitude[abs(view.frequency_hz - 40.31) < 5.0].max()))
