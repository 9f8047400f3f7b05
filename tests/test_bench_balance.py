"""Balancing against published worked examples. Sources beside each check:

[F] Feese T. D., Grazier P. E., Balance This!, Proc. 33rd Turbomachinery Symposium, 2004.
[K] Kelm R., Kelm W., Pavelek D., Rotor Balancing Tutorial, Proc. 45th Turbomachinery Symposium, 2016.
[G] Goodman T. P., A Least-Squares Method for Computing Balance Corrections, J. Eng. for Industry, Aug 1964.
"""

import cmath
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.bench.balance import (
    Run,
    may_balance,
    residual_against_grade,
    solve_balance,
    two_clamps,
)
from vibeorder.bench.marked import first_order_vector, mark_times_s
from vibeorder.bench.trial_circles import Trial, balance_by_amplitudes
from vibeorder.errors import VibeorderError


def P(length: float, angle_deg: float) -> complex:  # noqa: N802
    return cmath.rect(length, math.radians(angle_deg))


def _shown(value: complex) -> tuple[float, float]:
    return abs(value), math.degrees(cmath.phase(value)) % 360.0


def test_a_fan_in_one_plane() -> None:
    """[K] p. 7-8: 5.6@135; 74 oz-in@315 gives 3.3@238; correction 58.24@341.9."""
    result = solve_balance([P(5.6, 135)], [Run((P(74, 315),), (P(3.3, 238),))])
    assert _shown(result.corrections[0]) == pytest.approx((58.24, 341.9), rel=1e-3)
    assert abs(1 / result.coefficients[0][0]) == pytest.approx(10.4, rel=1e-3)
    assert result.residual_rms < 1e-12


@pytest.mark.parametrize(
    ("reference", "trial", "with_trial", "expected"),
    [
        (P(7, 160), P(100, 0), P(5, 70), (81.37, 324.46)),
        (P(3.5, 60), P(5, 0), P(5.0, 120), (3.938, 76.996)),
        (P(0.2, 40), P(0.2, -65), P(0.5, 150), (0.0668, 346.70)),
        (P(3.4, 116), P(2, 0), P(1.8, 42), (2.012, 329.21)),
    ],
)
def test_more_single_plane_inputs(
    reference: complex, trial: complex, with_trial: complex, expected: tuple[float, float]
) -> None:
    """Inputs: an instrument maker's article, a textbook, a course, memory; answers computed."""
    result = solve_balance([reference], [Run((trial,), (with_trial,))])
    assert _shown(result.corrections[0]) == pytest.approx(expected, rel=5e-4)


def test_two_planes_from_an_instrument_makers_note() -> None:
    """Document 17-227, table 2, example 6: corrections 1.979 g@236.2 and 1.071 g@121.8."""
    runs = [Run((1.15, 0), (P(235, 94), P(58, 68))), Run((0, 1.15), (P(185, 115), P(77, 104)))]
    result = solve_balance([P(170, 112), P(53, 78)], runs)
    assert _shown(result.corrections[0]) == pytest.approx((1.979, 236.2), abs=0.05)
    assert _shown(result.corrections[1]) == pytest.approx((1.071, 121.8), abs=0.05)
    printed = ((78.433, 58.4), (15.34, 145.3), (9.462, 10.2), (32.56, 142.4))
    found = [c for row in result.coefficients for c in row]
    for value, (length, angle) in zip(found, printed, strict=True):
        assert _shown(value) == pytest.approx((length, angle), abs=0.06)


def _compressor() -> tuple[list[complex], list[Run]]:
    """[F] p. 197, Table 1: four pickups, two planes; the second trial was run with the first left in."""
    base = [P(0.68, 32), P(0.56, 86), P(1.94, 231), P(2.07, 335)]
    aft, fwd = P(11.1, 35), P(3.7, 135)
    first = Run((aft, 0), (P(1.31, 1), P(1.25, 75), P(0.93, 251), P(1.00, 342)))
    second = Run((aft, fwd), (P(0.54, 9), P(0.52, 75), P(0.81, 196), P(0.90, 296)))
    return base, [first, second]


def test_a_compressor_with_the_first_trial_weight_left_in() -> None:
    """[F] p. 197: least squares 15.3@3 aft, 6.6@113 forward, from the bare rotor; residual rms .07."""
    result = solve_balance(*_compressor())
    assert _shown(result.corrections[0]) == pytest.approx((15.3, 3), abs=0.5)
    assert abs(result.corrections[0]) == pytest.approx(15.3, abs=0.05)
    assert _shown(result.corrections[1]) == pytest.approx((6.6, 113), abs=0.5)
    printed = ((0.08, 138), (0.09, 49), (0.05, 231), (0.05, 166))
    for value, (length, angle) in zip(result.residuals, printed, strict=True):
        assert _shown(value) == pytest.approx((length, angle), abs=0.5)
    assert result.residual_rms == pytest.approx(0.07, abs=0.005)


def test_weights_left_on_need_only_the_rest_added() -> None:
    """Computed from [F] Table 1, starting from run 2: add 8.36@318.0 aft and 3.48@89.3 forward."""
    aft, fwd = solve_balance(*_compressor()).additions
    assert _shown(aft) == pytest.approx((8.36, 318.0), abs=0.06)
    assert _shown(fwd) == pytest.approx((3.48, 89.3), abs=0.06)


def test_a_symmetric_rotor_of_course_notes() -> None:
    """Course notes on rotor dynamics, module 13, example 13.5: inputs read, answer computed."""
    own, across = P(166.667, 31), P(140.0, 100)
    reference = [P(-30, 230), P(-70, 330)]
    trial = P(0.3, 30)
    runs = [
        Run((trial, 0), (reference[0] + own * trial, reference[1] + across * trial)),
        Run((0, trial), (reference[0] + across * trial, reference[1] + own * trial)),
    ]
    first, second = solve_balance(reference, runs).corrections
    assert _shown(first) == pytest.approx((0.3325, 208.92), abs=0.02)
    assert _shown(second) == pytest.approx((0.1884, 331.22), abs=0.02)


def test_forgetting_that_the_first_weight_was_left_in_gives_another_answer() -> None:
    base, (first, second) = _compressor()
    wrong = solve_balance(base, [first, Run((0, second.weights[1]), second.readings)])
    right = solve_balance(base, [first, second])
    assert abs(wrong.corrections[0] - right.corrections[0]) > 5.0


def test_coefficients_of_a_machine_with_corrected_phases() -> None:
    """[K] p. 16-17, Tables 3-5: phases corrected by 225 (X) and 315 (Y); printed to three digits."""
    turn = (225, 315, 225, 315)

    def seen(*pairs: tuple[float, float]) -> tuple[complex, ...]:
        return tuple(P(a, d + t) for (a, d), t in zip(pairs, turn, strict=True))

    base = seen((0.97, 310), (2.20, 213), (0.84, 102), (0.58, 3.5))
    ob, ib = P(6.8, 252), P(6.8, 72)
    runs = [
        Run((ob, 0), seen((0.80, 324), (2.00, 210), (1.05, 92), (0.53, 331))),
        Run((ob, ib), seen((0.89, 312), (2.00, 200), (0.95, 84), (0.33, 315.1))),
    ]
    result = solve_balance(base, runs, relative_u=0.005)
    printed_ob = ((0.040, 58.0), (0.034, 123.3), (0.039, 31.8), (0.046, 311.5))
    printed_ib = ((0.029, 47.9), (0.051, 358.0), (0.025, 115.4), (0.034, 57.0))
    for row, first, second in zip(result.coefficients, printed_ob, printed_ib, strict=True):
        assert _shown(row[0])[0] == pytest.approx(first[0], abs=6e-4)
        assert _shown(row[0])[1] == pytest.approx(first[1], abs=0.1)
        assert _shown(row[1])[0] == pytest.approx(second[0], abs=6e-4)
        assert _shown(row[1])[1] == pytest.approx(second[1], abs=0.1)


def test_goodmans_sample_problem_with_real_numbers() -> None:
    """[G] p. 276: weights .81 and 1.48, residuals .476, .0952, -.381, rms .356 (signs as A + C w)."""
    c = np.array([[3.0, -2.0], [5.0, -2.0], [5.0, -3.0]])
    a = np.array([1.0, -1.0, 0.0])
    runs = [
        Run((1, 0), tuple((a + c[:, 0]).astype(complex).tolist())),
        Run((0, 1), tuple((a + c[:, 1]).astype(complex).tolist())),
    ]
    result = solve_balance(a.astype(complex).tolist(), runs)
    assert [w.real for w in result.corrections] == pytest.approx([0.81, 1.48], abs=0.005)
    assert [r.real for r in result.residuals] == pytest.approx([0.476, 0.0952, -0.381], abs=5e-4)
    assert result.residual_rms == pytest.approx(0.356, abs=5e-4)


def test_a_turbine_rotor_in_two_planes() -> None:
    """S. S. Rao, Mechanical Vibrations, ch. 9: value from memory; weights opposite the unbalance."""
    runs = [
        Run((P(10, 270), 0), (P(6.0, 125), P(4.5, 230))),
        Run((0, P(12, 180)), (P(6.0, 35), P(10.5, 160))),
    ]
    result = solve_balance([P(8.5, 60), P(6.5, 205)], runs)
    assert _shown(result.corrections[0]) == pytest.approx((10.0561, 325.5548), abs=1e-4)
    assert _shown(result.corrections[1]) == pytest.approx((5.8774, 68.2559), abs=1e-4)


@given(st.integers(0, 2**32 - 1), st.integers(1, 2), st.integers(0, 2))
@settings(max_examples=50, deadline=None)
def test_the_correction_leaves_nothing_on_a_linear_rotor(seed: int, planes: int, spare: int) -> None:
    rng = np.random.default_rng(seed)

    def c(*shape: int) -> np.ndarray:
        return rng.normal(size=shape) + 1j * rng.normal(size=shape)

    coefficients, unbalance = c(planes, planes) + 3 * np.eye(planes), c(planes) + 2.0
    runs = []
    for k in range(planes + spare):
        weights = np.zeros(planes, complex)
        weights[k % planes] = 2.0 * np.exp(2j * k)
        runs.append(Run(tuple(weights.tolist()), tuple((coefficients @ (unbalance + weights)).tolist())))
    result = solve_balance(tuple((coefficients @ unbalance).tolist()), runs, relative_u=1e-6)
    assert np.allclose(result.corrections, -unbalance, atol=1e-8)


def test_the_corrections_error_is_the_real_scatter() -> None:
    rng = np.random.default_rng(8)
    u, exact, found = 0.03, None, []
    values = [P(5.6, 135), P(3.3, 238)]
    exact = solve_balance([values[0]], [Run((P(74, 315),), (values[1],))], relative_u=u)
    for _ in range(600):
        a, b = (v + u * abs(v) * complex(*rng.normal(size=2)) for v in values)
        found.append(solve_balance([a], [Run((P(74, 315),), (b,))]).corrections[0])
    scatter = math.sqrt(np.mean(np.abs(np.array(found) - exact.corrections[0]) ** 2) / 2)
    assert exact.correction_ses[0] == pytest.approx(scatter, rel=0.1)


def test_four_runs_without_phase() -> None:
    """[F] p. 196, Fig. 9: .088; 7 g at 0, 120, 240 gives .140, .030, .168: effect .092, 6.7 g at 101 deg."""
    trials = [Trial(7, 0, 0.140), Trial(7, 120, 0.030), Trial(7, 240, 0.168)]
    result = balance_by_amplitudes(0.088, trials)
    assert result.effect == pytest.approx(0.092, abs=0.0006)
    assert result.correction == pytest.approx(6.7, abs=0.05)
    assert result.angle_deg == pytest.approx(101, abs=0.5)


def test_circles_that_do_not_meet_say_by_how_much() -> None:
    """Balancing Without Phase (D. Shreve): 10; 50 g: 7, 12, 18; computed 59.26 g at 41.66."""
    result = balance_by_amplitudes(10.0, [Trial(50, 0, 7), Trial(50, 120, 12), Trial(50, 240, 18)])
    assert (result.correction, result.angle_deg) == pytest.approx((59.26, 41.66), abs=0.01)
    assert result.misfit == pytest.approx(0.2624, abs=1e-4), "a linear solution would hide it"


@given(st.floats(0.3, 3.0), st.floats(0, 360), st.integers(3, 4))
@settings(max_examples=50, deadline=None)
def test_amplitudes_alone_find_the_weight_of_a_linear_shaft(size: float, angle: float, places: int) -> None:
    response = P(size, angle)
    trials = [
        Trial(5.0, d, abs(4.0 + response * P(5.0, d))) for d in (360.0 / places * k for k in range(places))
    ]
    result = balance_by_amplitudes(4.0, trials, relative_u=1e-4)
    assert result.correction == pytest.approx(4.0 / size, rel=1e-5)
    assert abs(4.0 + response * P(result.correction, result.angle_deg)) < 1e-4
    assert result.misfit < 1e-6


def test_the_error_of_an_amplitude_balance_is_the_real_scatter() -> None:
    rng = np.random.default_rng(9)
    response, u, scatter, stated = P(0.8, 70), 0.12, [], []
    exact = -4.0 / response
    for _ in range(400):
        noisy = [Trial(5.0, d, abs(4.0 + response * P(5.0, d)) + u * rng.normal()) for d in (0, 90, 180, 270)]
        result = balance_by_amplitudes(4.0 + u * rng.normal(), noisy, relative_u=u / 8)
        scatter.append(abs(P(result.correction, result.angle_deg) - exact) ** 2 / 2)
        stated.append(result.correction_se**2)
    assert math.sqrt(np.mean(stated)) == pytest.approx(math.sqrt(np.mean(scatter)), rel=0.2)


def test_two_hose_clamps_make_any_weight_up_to_both_together() -> None:
    """Common practice, no source: the heads at equal angles to either side; 2 c cos(half)."""
    first, second, half = two_clamps(P(6.0, 101), 8.0)
    assert abs(P(8.0, first) + P(8.0, second) - P(6.0, 101)) < 1e-12
    assert half == pytest.approx(math.degrees(math.acos(6 / 16)))
    with pytest.raises(VibeorderError, match="use heavier clamps"):
        two_clamps(P(20.0, 0), 8.0)


@pytest.mark.parametrize("order", [0.5, 1.5, 2.0, 3.0, 4.0])
def test_only_the_first_order_goes_to_the_balancer(order: float) -> None:
    with pytest.raises(VibeorderError, match="cannot be balanced"):
        may_balance(order, runout_checked=True)


def test_balance_warns_until_runout_is_on_record() -> None:
    assert "Runout before balance" in may_balance(1.0, runout_checked=False)[0]
    assert may_balance(1.0, runout_checked=True) == ()


def test_a_zero_trial_weight_is_refused() -> None:
    with pytest.raises(VibeorderError, match="trial weight is zero"):
        solve_balance([P(5, 0)], [Run((0j,), (P(4, 10),))])
    with pytest.raises(VibeorderError, match="trial weight is zero"):
        balance_by_amplitudes(5.0, [Trial(0, 0, 4), Trial(1, 120, 5), Trial(1, 240, 6)])


def test_a_trial_that_changed_nothing_is_refused() -> None:
    with pytest.raises(VibeorderError, match="changed nothing"):
        solve_balance([P(5, 0)], [Run((2 + 0j,), (P(5.05, 0.5),))])
    with pytest.raises(VibeorderError, match="changed nothing"):
        balance_by_amplitudes(5.0, [Trial(1, d, 5.02) for d in (0, 120, 240)])


@pytest.mark.parametrize(
    ("runs", "message"),
    [
        ([], "needs at least 1 trial run beside the reference; 0 given"),
        ([Run((1, 0), (P(4, 0), P(1, 0)))], "2 planes need at least 2 trial runs"),
        ([Run((1, 0), (P(4, 0),)), Run((0, 1), (P(2, 0),))], "2 planes need at least 2 pickups"),
        ([Run((1, 0), (2j, P(1, 0))), Run((2, 0), (3j, P(2, 0)))], "plane 2 is zero"),
        ([Run((1, 1), (2j, P(1, 0))), Run((2, 2), (3j, P(2, 0)))], "do not tell the planes apart"),
    ],
)
def test_runs_that_cannot_be_solved_get_one_sentence(runs: list[Run], message: str) -> None:
    probes = len(runs[0].readings) if runs else 1
    with pytest.raises(VibeorderError, match=message):
        solve_balance([P(5, 0)] * probes, runs)


def test_amplitudes_at_two_places_leave_two_answers() -> None:
    with pytest.raises(VibeorderError, match="leave two answers"):
        balance_by_amplitudes(5.0, [Trial(1, 0, 4), Trial(1, 120, 6)])
    with pytest.raises(VibeorderError, match="sat twice at 120"):
        balance_by_amplitudes(5.0, [Trial(1, 0, 4), Trial(1, 120, 6), Trial(1, 120, 7)])


def test_what_is_left_is_compared_with_the_grade_per_plane() -> None:
    """10 kg, 3000 rpm, G 16: 509.3 g mm for the rotor (the standard's formula), half per plane."""
    left = residual_against_grade(200e-6, 10.0, 50.0, 16.0, planes=2)
    assert left.allowed_kg_m * 1e6 == pytest.approx(254.65, abs=0.05)
    assert left.within
    assert left.grade_mm_s == pytest.approx(16 * 200 / 254.65, rel=1e-4)


def test_amplitude_and_phase_from_a_recording_with_a_once_a_turn_mark() -> None:
    """Simulated: a slowly rising speed, 0.5 at 70 deg past the mark, a second order and noise beside it."""
    rng = np.random.default_rng(4)
    rate = 1000.0
    t = np.arange(0, 10.0, 1 / rate)
    turn = 40.0 * t + 0.3 * t**2
    shake = 0.5 * np.cos(2 * np.pi * turn - math.radians(70)) + 0.2 * np.cos(4 * np.pi * turn)
    pulses = (np.mod(turn, 1.0) < 0.1).astype(float)
    vector = first_order_vector(shake + 0.1 * rng.normal(size=t.size), rate, mark_times_s(pulses, rate))
    assert vector.length == pytest.approx(0.5, abs=0.02)
    assert vector.angle_deg == pytest.approx(70.0, abs=8.0), (
        "marks are known to half a sample: 7 deg at 40 Hz"
    )
    assert vector.length_se < 0.01


def test_a_missed_mark_is_pointed_out() -> None:
    marks = [k * 0.025 for k in range(40) if k != 20]
    with pytest.raises(VibeorderError, match="missing or doubled"):
        first_order_vector(np.zeros(1000), 1000.0, marks)
    with pytest.raises(VibeorderError, match="4 turns between marks are too few"):
        first_order_vector(np.zeros(1000), 1000.0, marks[:5])
