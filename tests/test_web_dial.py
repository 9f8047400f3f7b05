"""Pictures of the bench: what stands where in the SVG. Sources beside each check."""

import math
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.bench import (
    RunoutLimit,
    Trial,
    balance_by_amplitudes,
    check_joints,
    check_shaft,
    from_polar,
    mate,
    measure_runout,
    parse_driveline,
    parse_readings,
    shares_of_parts,
)
from vibeorder.bench.shaft import MATERIALS, Tube
from vibeorder.web.draw.dial import FACE, readings_svg, runout_svg
from vibeorder.web.draw.driveline import angles_svg
from vibeorder.web.draw.plot import levels_svg, shaft_svg
from vibeorder.web.draw.polar import nice_step
from vibeorder.web.draw.vectors import FACE as VECTORS
from vibeorder.web.draw.vectors import Named, circles_svg, mating_svg, vectors_svg

THOU = 2.54e-5


def parsed(svg: str) -> ET.Element:
    """The drawing; it must be well-formed and carry no style of its own, which the page's policy forbids."""
    root = ET.fromstring(svg)
    assert not [e for e in root.iter() if "style" in e.attrib or e.tag in ("style", "script")]
    assert root.get("aria-label") and root.get("role") == "img"
    return root


def of_class(root: ET.Element, name: str) -> list[ET.Element]:
    return [e for e in root.iter() if name in e.get("class", "").split()]


def points(path: ET.Element) -> list[tuple[float, float]]:
    text = path.get("d", "").replace("M", " ").replace("L", " ").replace("Z", "")
    numbers = [float(n) for n in text.split()]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def clock(x: float, y: float, cx: float, cy: float) -> float:
    """Degrees clockwise from the top."""
    return math.degrees(math.atan2(x - cx, cy - y)) % 360.0


def words(root: ET.Element) -> list[str]:
    return [e.text or "" for e in root.iter() if e.tag == "text"]


@given(st.floats(0.5, 20.0), st.floats(0.0, 359.9), st.sampled_from([8, 12, 16, 24]))
@settings(max_examples=30, deadline=None)
def test_an_off_center_part_is_drawn_with_its_high_spot_and_every_dot_at_its_place(
    thou: float, high_deg: float, places: int
) -> None:
    """Readings e cos(t - t0): a pure offset (definition of circular runout, ISO 1101)."""
    angles = np.arange(places) * 360.0 / places
    shown = thou * np.cos(np.radians(angles - high_deg))
    readings = parse_readings(" ".join(f"{v:.9f}" for v in shown) + " thou")
    root = parsed(runout_svg(measure_runout(readings), "thou", readings))
    dots = of_class(root, "read")
    assert len(dots) == places
    radii = []
    for dot, angle in zip(dots, angles, strict=True):
        x, y = float(dot.get("cx", "")), float(dot.get("cy", ""))
        assert abs((clock(x, y, FACE.x, FACE.y) - angle + 180.0) % 360.0 - 180.0) < 0.3
        radii.append(math.hypot(x - FACE.x, y - FACE.y))
    # the dots' distances rise and fall as the readings do: one scale for all
    slope = np.polyfit(shown, radii, 1)
    assert np.abs(np.polyval(slope, shown) - radii).max() < 0.2
    tip = points(of_class(root, "high")[0])[0]
    assert abs((clock(*tip, FACE.x, FACE.y) - high_deg + 180.0) % 360.0 - 180.0) < 0.5


def test_the_rings_say_how_much_the_deviation_is_enlarged() -> None:
    """e = TIR/2: Kelm, Kelm and Pavelek, Rotor Balancing Tutorial, 2016, p. 3: 0.15 mil is 0.000075 in off center."""
    shown = 0.000075 * np.cos(np.radians(np.arange(8) * 45.0))
    readings = parse_readings(" ".join(f"{v:.9f}" for v in shown) + " in")
    root = parsed(runout_svg(measure_runout(readings), "in", readings))
    named = [t for t in words(root) if t.endswith(" in") and t.startswith("+")]
    ring = float(named[0].removesuffix(" in"))
    mean = float(of_class(root, "mean")[0].get("r", ""))
    outer = max(float(e.get("r", "")) for e in of_class(root, "ring"))
    top = of_class(root, "read")[0]
    deviation = math.hypot(float(top.get("cx", "")) - FACE.x, float(top.get("cy", "")) - FACE.y) - mean
    assert deviation / (outer - mean) * ring == pytest.approx(0.000075, rel=0.01)


def test_a_reading_that_stands_alone_is_crossed_not_dotted() -> None:
    shown = 4.0 * np.cos(np.radians(np.arange(12) * 30.0))
    shown[5] += 6.0
    readings = parse_readings(" ".join(f"{v:.3f}" for v in shown) + " thou")
    root = parsed(runout_svg(measure_runout(readings), "thou", readings))
    assert len(of_class(root, "doubted")) == 1 and len(of_class(root, "read")) == 11


def test_places_round_the_rim_are_called_as_they_were_typed() -> None:
    for text, first, second in (
        ("12h:0 3h:4 6h:6 9h:2 thou", "12", "1"),
        ("b1:0 b2:4 b3:6 b4:2 thou", "b1", "b2"),
        ("0:0 90:4 180:6 270:2 thou", "0°", "90°"),
    ):
        readings = parse_readings(text)
        said = words(parsed(runout_svg(measure_runout(readings), "thou", readings)))
        assert said[:2] == [first, second]


def test_readings_still_too_few_are_drawn_without_a_curve() -> None:
    root = parsed(readings_svg([0.0, 90.0, 180.0], [0.0, 3.0, 5.0], "thou", [(0.0, "0°")]))
    assert len(of_class(root, "read")) == 3 and not of_class(root, "fitted")
    assert parsed(readings_svg([], [], "thou", [])) is not None


def test_arrows_point_where_the_vectors_do_and_say_their_size() -> None:
    """Kelm, Kelm and Pavelek 2016, p. 7-8: 74 at 315 as trial, 58.24 at 341.9 as correction."""
    trial, correction = (a * np.exp(1j * math.radians(d)) for a, d in ((74, 315), (58.24, 341.9)))
    root = parsed(vectors_svg("Weights", [Named("trial", trial), Named("correction", correction)], "g"))
    heads = [points(e)[0] for e in of_class(root, "arrow-head")][:2]
    lengths = [math.dist(h, (VECTORS.x, VECTORS.y)) for h in heads]
    assert [clock(*h, VECTORS.x, VECTORS.y) for h in heads] == pytest.approx([315.0, 341.9], abs=0.1)
    assert lengths[1] / lengths[0] == pytest.approx(58.24 / 74.0, rel=0.005)
    assert "trial: 74 g at 315°" in words(root) and "correction: 58.2 g at 342°" in words(root)


@given(st.floats(1.0, 9.0), st.floats(0.2, 3.0), st.floats(0, 359), st.sampled_from([3, 4]))
@settings(max_examples=30, deadline=None)
def test_circles_of_exact_amplitudes_meet_at_the_arrows_tip(
    reference: float, share: float, phase: float, places: int
) -> None:
    """|A0 + a w_i| = A_i: Feese and Grazier, Balance This!, 2004, p. 196 (circles meet where the weight belongs)."""
    response = share * reference * np.exp(1j * math.radians(phase)) / 2.0
    trials = [
        Trial(2.0, 360.0 * i / places, abs(reference + response * 2.0 * np.exp(2j * math.pi * i / places)))
        for i in range(places)
    ]
    if min(abs(t.amplitude - reference) for t in trials) > 0.4 * reference:
        return
    result = balance_by_amplitudes(reference, trials)
    root = parsed(circles_svg(reference, trials, result, "g"))
    tip = points(of_class(root, "arrow-head")[0])[0]
    drawn = [e for e in root.iter() if e.tag == "circle" and e.get("class", "") in ("v1", "v2", "v3", "v4")]
    assert len(drawn) == places
    for one in drawn:
        centre = float(one.get("cx", "")), float(one.get("cy", ""))
        assert math.dist(tip, centre) == pytest.approx(float(one.get("r", "")), abs=0.25)


def test_every_bolt_position_has_its_bar_and_the_best_one_the_ring() -> None:
    """Computed: |F + M exp(i phi)| with 8 at 200 and 12 at 30: least near phi = 350."""
    shares = shares_of_parts(from_polar(8 * THOU, 200.0), from_polar(12 * THOU, 30.0))
    result = mate(shares, [60.0 * k for k in range(6)], RunoutLimit(4 * THOU, "4 thou"))
    root = parsed(mating_svg(result, "thou"))
    bars = of_class(root, "bar")
    assert len(bars) == 6 and len(of_class(root, "limit")) == 1
    lengths = [math.dist(*points(bar)) for bar in bars]
    exact = [
        abs(8 * np.exp(1j * math.radians(200)) + 12 * np.exp(1j * math.radians(30 + 60 * k)))
        for k in range(6)
    ]
    assert np.array(lengths) / lengths[0] == pytest.approx(np.array(exact) / exact[0], rel=0.02)
    ring = of_class(root, "best-ring")[0]
    assert clock(float(ring.get("cx", "")), float(ring.get("cy", "")), VECTORS.x, VECTORS.y) == pytest.approx(
        0.0, abs=0.5
    )


def test_the_side_view_falls_where_the_shaft_falls_and_rings_the_joint_at_fault() -> None:
    check = check_joints(parse_driveline("3 down, 7 down, 2 down"), 30.0)
    root = parsed(angles_svg(check))
    (x1, y1), (x2, y2) = points(of_class(root, "shaft")[0])
    assert x2 > x1 and y2 > y1
    assert {"4.0°", "5.0°"} <= set(words(root)) and len(of_class(root, "fault")) == 2
    assert not of_class(
        parsed(angles_svg(check_joints(parse_driveline("1 down, 2 down, 1 down"), 30.0))), "fault"
    )


def test_the_strip_of_speeds_names_the_makers_critical_and_safe_speed() -> None:
    """A shaft maker's page: n = 1.21e8 sqrt(D^2 + d^2)/L^2 in mm, safe at 0.7: 76.2 x 1.65 x 1500: 5671, 3970 rpm."""
    said = " ".join(
        words(parsed(shaft_svg(check_shaft(Tube(0.0762, 0.00165, 1.5, MATERIALS["steel"]), 50.0))))
    )
    critical, safe = (float(said.split(name)[1].split()[0]) for name in (" critical", "safe to"))
    assert critical != safe and safe == pytest.approx(3970, rel=2e-3)
    assert float(said.rsplit("critical ", 1)[1].split()[0]) == pytest.approx(5671, rel=2e-3)


def test_before_and_after_are_told_apart_by_their_shape() -> None:
    bins = [
        {
            "speed_mps": 24.0 + k,
            "before_rms": 0.2 + 0.01 * k,
            "after_rms": None if k else 0.02,
            "before_s": 9.0,
            "after_s": 9.0,
        }
        for k in range(3)
    ]
    root = parsed(
        levels_svg({"bins": bins, "unit": "m/s^2", "healthy_rms": 0.05, "sentence": "<Cured> & sound."})
    )
    assert (
        len(of_class(root, "before-point")) == 4 and len(of_class(root, "after-point")) == 4
    )  # with the key's
    assert len(of_class(root, "hidden-level")) == 2, "what noise hides is hollow"
    assert "<Cured> & sound." in root.get("aria-label", "")
    assert levels_svg({"bins": []}) == ""


@given(st.floats(1e-9, 1e9), st.integers(2, 6))
def test_a_scale_has_round_steps_and_not_too_many(span: float, most: int) -> None:
    step = nice_step(span, most)
    assert span / step <= most * (1 + 1e-6)
    mantissa = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - k) for k in (1.0, 2.0, 5.0, 10.0)) < 1e-6
