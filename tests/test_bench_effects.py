"""What runout does, and when a tube whirls. Sources beside each check."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import eigh, solve

from vibeorder.bench import answer_shaft, as_json
from vibeorder.bench.effects import effect_of_runout, effect_sheet, left_after_balance
from vibeorder.bench.grades import grade_of, permissible_unbalance_kg_m
from vibeorder.bench.shaft import (
    MATERIALS,
    Material,
    Tube,
    check_shaft,
    critical_rate_hz,
    shaft_rate_hz,
    shaft_sheet,
)
from vibeorder.cli import main
from vibeorder.errors import VibeorderError
from vibeorder.units import INCH_M, MPH_MPS
from vibeorder.vehicle import load_vehicle, parse_vehicle
from vibeorder.web.bench_answers import answer_for

PSI = 6894.757293168
LB_IN3 = 0.45359237 / INCH_M**3
OZ_IN = 0.45359237 / 16 * INCH_M


@pytest.mark.parametrize(
    ("mass_kg", "rpm", "grade", "g_mm"),
    [(10, 3000, 16, 509.3), (12, 4000, 16, 458.4), (20, 1000, 40, 7639.0), (10, 3000, 2.5, 79.57)],
)
def test_permissible_unbalance_is_that_of_the_standard(
    mass_kg: float, rpm: float, grade: float, g_mm: float
) -> None:
    """U = 9549 G m / n (ISO 21940-11; factor in an armature-balancing tip sheet)."""
    assert permissible_unbalance_kg_m(mass_kg, rpm / 60, grade) * 1e6 == pytest.approx(g_mm, rel=2e-4)


def test_permissible_unbalance_in_ounce_inches() -> None:
    """6.015 G W/N oz in, W in lb: energy-tech.com 18389 p. 3; Kelm et al. 2016 p. 9."""
    u = permissible_unbalance_kg_m(0.45359237, 1 / 60, 1.0)
    assert u / OZ_IN == pytest.approx(6.015, rel=5e-4)


def test_the_standards_annex_example_of_a_turbine_rotor() -> None:
    """ISO 1940-1 annex: 3600 kg, 4950 rpm, G 2.5: 17.36e3 g mm. Inputs from memory."""
    assert permissible_unbalance_kg_m(3600, 4950 / 60, 2.5) * 1e6 == pytest.approx(17.36e3, rel=5e-4)


def test_a_large_fan_at_g_16() -> None:
    """Feese and Grazier 2004, Table 5: 3300 lb, 300 rpm, G 16: 0.32 oz in per lb (read off a chart: 1.5%)."""
    mass = 3300 * 0.45359237
    assert permissible_unbalance_kg_m(mass, 5.0, 16.0) / OZ_IN / 3300 == pytest.approx(0.32, rel=0.015)


def test_g_1_at_5000_rpm_is_fifteen_hundredths_of_a_thou_of_runout() -> None:
    """Kelm, Kelm and Pavelek 2016, p. 3: e = 0.000075 in, 0.15 mil TIR."""
    effect = effect_of_runout(0.15e-3 * INCH_M, 3.0, [5000 / 60])
    assert effect.eccentricity_m == pytest.approx(0.000075 * INCH_M)
    assert effect.speeds[0].grade_mm_s == pytest.approx(1.0, rel=0.005)


def test_a_forgotten_weight_pulls_as_the_case_history_says() -> None:
    """Feese and Grazier 2004, p. 204: 20 g at 14.5 in: 10.2 oz in, 235 lb at 3600 rpm."""
    effect = effect_of_runout(2 * 14.5 * INCH_M, 0.020, [60.0])
    assert effect.unbalance_kg_m / OZ_IN == pytest.approx(10.2, rel=0.005)
    assert effect.speeds[0].force_n / (0.45359237 * 9.80665) == pytest.approx(235.0, rel=0.003)


def test_ten_thou_at_3000_rpm_is_what_a_wheel_may_have_and_a_shaft_may_not() -> None:
    """Computed: 0.127 mm x 314.16 rad/s = 39.9 mm/s."""
    speed = effect_of_runout(0.010 * INCH_M, 10.0, [50.0]).speeds[0]
    assert speed.grade_mm_s == pytest.approx(39.9, abs=0.05)
    assert speed.times_g16 == pytest.approx(2.494, abs=0.001)
    assert speed.times_g40 < 1.0 < speed.times_g16


@given(st.floats(1e-5, 1e-3), st.floats(1.0, 30.0), st.floats(1.0, 40.0))
def test_twice_the_speed_pulls_four_times(tir_m: float, mass_kg: float, rate_hz: float) -> None:
    one, two = effect_of_runout(tir_m, mass_kg, [rate_hz, 2 * rate_hz]).speeds
    assert two.force_n == pytest.approx(4 * one.force_n)


def test_force_and_its_error_follow_runout_and_mass() -> None:
    effect = effect_of_runout(1e-4, 10.0, [50.0], tir_se_m=3e-6, mass_se_kg=0.4)
    assert effect.speeds[0].force_se_n / effect.speeds[0].force_n == pytest.approx(0.05)


def _beam(n: int) -> np.ndarray:
    """Fourth difference of a pinned beam of unit length with n inner points."""
    h = 1.0 / (n + 1)
    d2 = (np.diag(-2.0 * np.ones(n)) + np.diag(np.ones(n - 1), 1) + np.diag(np.ones(n - 1), -1)) / h**2
    return d2 @ d2


@pytest.mark.parametrize("r", [0.1, 0.3, 0.53, 0.7])
def test_what_comes_back_after_balancing_is_that_of_a_finite_difference_beam(r: float) -> None:
    """(d4 - beta^4) y = beta^4 e with scipy: bending left when end weights cancel an offset."""
    n = 400
    beta4 = math.pi**4 * r**2
    y = solve(_beam(n) - beta4 * np.eye(n), np.full(n, beta4))
    assert left_after_balance(r, 1.0) == pytest.approx(float(np.sum(y) / (n + 1)), rel=0.01)


def test_end_weights_hold_at_a_crawl_and_fail_near_the_critical_speed() -> None:
    assert left_after_balance(1.0, 100.0) < 0.001
    assert left_after_balance(75.0, 100.0) > 1.0
    with pytest.raises(VibeorderError, match="above the critical speed"):
        left_after_balance(101.0, 100.0)


def test_a_runout_without_a_mass_gets_one_sentence() -> None:
    with pytest.raises(VibeorderError, match="mass of 0 kg"):
        effect_of_runout(1e-4, 0.0, [50.0])
    with pytest.raises(VibeorderError, match="0 rpm"):
        grade_of(1e-4, 1.0, 0.0)


def _tube(outer_in: float, wall_in: float, length_in: float, e_msi: float, density: float) -> Tube:
    material = Material("test", e_msi * 1e6 * PSI, density, 0.0)
    return Tube(outer_in * INCH_M, wall_in * INCH_M, length_in * INCH_M, material)


def test_a_three_and_a_half_inch_tube_whirls_at_11390() -> None:
    """An online calculator's worked page: 45 in, 3.5 x 0.083 in, 30 Msi, 0.283 lb/in3 (its g: 386.4)."""
    assert 60 * critical_rate_hz(_tube(3.5, 0.083, 45, 30, 0.283 * LB_IN3)) == pytest.approx(
        11390, rel=1.2e-3
    )


def test_a_76_millimetre_tube_whirls_at_8557() -> None:
    """A second calculator's default: 76.2 x 3 mm: 8557 rpm (length 1.2 m and E 200 GPa inferred)."""
    tube = Tube(0.0762, 0.003, 1.2, Material("steel", 200e9, 7850, 0.0))
    assert 60 * critical_rate_hz(tube) == pytest.approx(8557, rel=1e-4)


def test_the_shaft_makers_coefficient() -> None:
    """A shaft maker's page: n = 1.21e8 sqrt(D^2 + d^2)/L^2 in mm; safe at 0.7: 5671, 3970 rpm."""
    check = check_shaft(Tube(0.0762, 0.00165, 1.5, MATERIALS["steel"]))
    assert 60 * check.critical_hz == pytest.approx(5671, rel=1e-3)
    assert 60 * check.safe_hz == pytest.approx(3970, rel=1e-3)


def test_the_textbook_that_lumps_the_mass_is_not_followed() -> None:
    """A textbook prints 5800 rpm for 48 in, 3 x 1/8 in: all mass at mid-span. The beam gives 8262."""
    tube = _tube(3.0, 0.125, 48, 29, 0.00883 * 14.593903 / INCH_M**3)
    assert 60 * critical_rate_hz(tube) == pytest.approx(8262, rel=1e-3)
    lumped = math.sqrt(48 / math.pi**4)
    assert 60 * critical_rate_hz(tube) * lumped == pytest.approx(5800, rel=1e-3)


def test_the_tube_formula_is_a_finite_difference_beam() -> None:
    """Lowest eigenvalue of the fourth difference with scipy: w^2 = lambda E I / (rho A L^4)."""
    tube = Tube(0.0762, 0.00165, 1.5, MATERIALS["steel"])
    inner = tube.outer_m - 2 * tube.wall_m
    lowest = float(eigh(_beam(300), eigvals_only=True, subset_by_index=[0, 0])[0])
    inertia = math.pi / 64 * (tube.outer_m**4 - inner**4)
    area = math.pi / 4 * (tube.outer_m**2 - inner**2)
    stiffness = tube.material.modulus_pa * inertia / (tube.material.density_kg_m3 * area * tube.length_m**4)
    assert critical_rate_hz(tube) == pytest.approx(math.sqrt(lowest * stiffness) / (2 * math.pi), rel=1e-4)


@pytest.mark.parametrize(("rpm", "verdict"), [(3500, "safe"), (3970, "too close to call"), (4500, "over")])
def test_the_top_speed_is_judged_with_the_lengths_error(rpm: float, verdict: str) -> None:
    check = check_shaft(Tube(0.0762, 0.00165, 1.5, MATERIALS["steel"]), rpm / 60)
    assert check.verdict == verdict
    assert shaft_sheet(check, "mm").sentence


def test_the_longest_tube_is_just_safe() -> None:
    check = check_shaft(Tube(0.0762, 0.00165, 1.5, MATERIALS["steel"]), 80.0)
    assert check.longest_m is not None
    again = Tube(0.0762, 0.00165, check.longest_m, MATERIALS["steel"])
    assert check_shaft(again).safe_hz == pytest.approx(80.0)


def test_shaft_rate_at_60_mph() -> None:
    """Computed in the vehicle's own way: 26.8224 m/s, 2.2091 m rolling, axle 3.55: 43.10 Hz."""
    tire = {"circumference_mm": 2209.1}
    truck = parse_vehicle({"vehicle": {"layout": "rwd"}, "tire": tire, "axle": {"ratio": 3.55}})
    assert shaft_rate_hz(60 * MPH_MPS, truck) == pytest.approx(43.103, abs=0.01)
    with pytest.raises(VibeorderError, match="has no driveshaft; give the rpm of the part"):
        shaft_rate_hz(60 * MPH_MPS, parse_vehicle({"vehicle": {"layout": "fwd"}, "tire": tire}))


def test_the_longest_tube_is_told_in_inches_however_the_inch_is_written() -> None:
    for unit in ("in", "IN"):
        sheet = answer_shaft(f"3.5 {unit}", f"0.083 {unit}", f"60 {unit}", highest_hz=50.0).sheet
        assert dict(sheet.numbers)["longest such tube"].endswith(" in")


@pytest.mark.parametrize("command", ["effect", "shaft", "angles"])
def test_command_line_and_page_turn_a_road_speed_into_the_same_shaft_rate(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Staggered tires: the shaft turns with the rear wheels, as the rate table has it."""
    path = tmp_path / "car.toml"
    path.write_text(
        '[vehicle]\nlayout = "rwd"\n[tire]\nfront_size = "225/45R17"\nrear_size = "255/40R18"\n'
        "[axle]\nratio = 3.55\n"
    )
    said = {
        "effect": {"runout": "10 thou", "mass": "10 kg", "speed": "60 mph"},
        "shaft": {"diameter": "3.5 in", "wall": "0.083 in", "length": "60 in", "top_speed": "110 mph"},
        "angles": {"slopes": "3 down, 5 down, 3 down", "speed": "60 mph"},
    }[command]
    words = [word for name, text in said.items() for word in (f"--{name.replace('_', '-')}", text)]
    assert main(["bench", command, *words, "--vehicle", str(path), "--json", "-"]) == 0
    written = json.loads(capsys.readouterr().out)
    answer = answer_for(command, said, load_vehicle(path))
    assert as_json(command, answer.result, answer.sheet) == written


@pytest.mark.parametrize(
    ("outer", "wall", "length", "message"),
    [
        (3.5, 0.002, 1.5, "outside diameter"),
        (0.09, 0.05, 1.5, "wall"),
        (0.09, 0.002, 45, "four diameters to 6 m"),
    ],
)
def test_a_tube_in_the_wrong_unit_is_refused(outer: float, wall: float, length: float, message: str) -> None:
    with pytest.raises(VibeorderError, match=message):
        critical_rate_hz(Tube(outer, wall, length, MATERIALS["steel"]))


def test_the_sheet_says_the_pull_and_the_grade() -> None:
    text = effect_sheet(effect_of_runout(0.010 * INCH_M, 10.0, [50.0]), "in").sentence
    assert "0.0100 in of runout on 10 kg pulls with 125 N (28 lbf)" in text
    assert "2.5 times what grade G 16 allows" in text
