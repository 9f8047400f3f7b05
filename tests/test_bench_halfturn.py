"""Half-turn test and mating. Re-indexing is common practice, no source; the numbers are sums of vectors."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.bench.halfturn import Mounting, as_mounting, halfturn_sheet, shares_of_parts, solve_mountings
from vibeorder.bench.mating import best_index_deg, bolt_positions_deg, mate, mating_sheet
from vibeorder.bench.readings import Readings
from vibeorder.bench.runout import RunoutLimit, measure_runout
from vibeorder.bench.vectors import Vector, circular_difference_deg, from_polar
from vibeorder.errors import VibeorderError

THOU = 2.54e-5
INCH = 0.0254


def _seen(fixed: complex, moved: complex, index_deg: float, error: float = 0.0) -> Mounting:
    """What a technician reads with the marks on the moved part."""
    m = moved + fixed * np.exp(-1j * math.radians(index_deg))
    return Mounting(index_deg, Vector(m.real, m.imag, error**2, error**2))


def _polar(length: float, angle_deg: float) -> complex:
    return length * complex(math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg)))


def _turned(round_scatter: Vector, angle_deg: float) -> Vector:
    """The same vector turned; its scatter is alike all round."""
    v = round_scatter.value * _polar(1.0, angle_deg)
    return Vector(v.real, v.imag, round_scatter.var_x, round_scatter.var_y)


def test_half_a_turn_gives_sum_and_difference() -> None:
    """Computed: shaft 0.012 in at 30, flange 0.008 at 200 read 0.004349 at 48.627 and 0.019927 at 26.002."""
    first = Mounting(0.0, from_polar(0.004349, 48.627, 1e-5, 0.1))
    second = Mounting(180.0, from_polar(0.019927, 26.002, 1e-5, 0.1))
    shares = solve_mountings([first, second])
    assert (shares.moved.length, shares.moved.angle_deg) == pytest.approx((0.012, 30.0), rel=2e-4)
    assert (shares.fixed.length, shares.fixed.angle_deg) == pytest.approx((0.008, 200.0), rel=2e-4)


def test_half_turn_moves_the_high_spot_with_the_shaft_when_the_shaft_is_bent() -> None:
    bent = solve_mountings([_seen(0j, _polar(0.3e-3, 70), i, 5e-6) for i in (0, 180)])
    assert bent.carrier == "moved"
    flange = solve_mountings([_seen(_polar(0.3e-3, 70), 0j, i, 5e-6) for i in (0, 180)])
    assert flange.carrier == "fixed"


@given(
    st.floats(0.01, 1.0), st.floats(0, 360), st.floats(0.01, 1.0), st.floats(0, 360),
    st.lists(st.floats(0, 359), min_size=1, max_size=4), st.sampled_from(["moved", "fixed"]),
)  # fmt: skip
@settings(max_examples=80, deadline=None)
def test_any_index_angles_give_both_parts_back(
    f: float, fa: float, m: float, ma: float, more: list[float], frame: str
) -> None:
    """Quarter turns, 120 degrees, more than two mountings: exact readings give exact parts."""
    fixed, moved = _polar(f * 1e-3, fa), _polar(m * 1e-3, ma)
    mountings = [_seen(fixed, moved, i, 5e-6) for i in (0.0, 90.0, *more)]
    if frame == "fixed":
        mountings = [Mounting(s.index_deg, _turned(s.runout, s.index_deg)) for s in mountings]
        shares = solve_mountings(mountings, frame="fixed")
    else:
        shares = solve_mountings(mountings)
    assert abs(shares.fixed.value - fixed) < 1e-9
    assert abs(shares.moved.value - moved) < 1e-9
    assert shares.contradiction is None


@pytest.mark.parametrize("indices", [(0, 180), (0, 90), (0, 120, 240), (0, 90, 180, 270)])
def test_the_shares_error_bars_are_the_real_scatter(indices: tuple[int, ...]) -> None:
    rng = np.random.default_rng(11)
    fixed, moved, error = _polar(1e-4, 20), _polar(2e-4, 140), 5e-6
    pulls = []
    for _ in range(300):
        noisy = []
        for i in indices:
            exact = _seen(fixed, moved, i, error)
            dx, dy = rng.normal(0, error, 2)
            noisy.append(Mounting(i, Vector(exact.runout.x + dx, exact.runout.y + dy, error**2, error**2)))
        s = solve_mountings(noisy)
        pulls.append(
            [(s.fixed.length - 1e-4) / s.fixed.length_se, (s.moved.length - 2e-4) / s.moved.length_se]
        )
    assert np.std(pulls, axis=0) == pytest.approx([1.0, 1.0], abs=0.12)


def test_mountings_that_no_two_parts_can_give_contradict_each_other() -> None:
    fixed, moved = _polar(1e-4, 20), _polar(2e-4, 140)
    mountings = [_seen(fixed, moved, i, 5e-6) for i in (0, 120, 240)]
    slipped = Mounting(120.0, _turned(mountings[1].runout, 90.0))
    shares = solve_mountings([mountings[0], slipped, mountings[2]])
    assert "contradict each other" in halfturn_sheet(shares, "thou").sentence


def test_two_mountings_contradict_each_other_when_the_tube_changed_its_shape() -> None:
    """The oval of the track belongs to the shaft: a stand moved to another track shows as another oval."""
    angles = np.arange(8) * 45.0

    def read(oval_deg: float, index: float) -> Mounting:
        wave = 1e-4 * np.cos(np.radians(angles - 30)) + 8e-5 * np.cos(2 * np.radians(angles - oval_deg))
        return as_mounting(
            index, measure_runout(Readings(tuple(angles.tolist()), tuple(wave.tolist()), "mm"))
        )

    assert solve_mountings([read(20, 0), read(20, 180)]).contradiction is None
    assert "two measurements contradict" in str(solve_mountings([read(20, 0), read(80, 180)]).contradiction)


def test_honest_mountings_are_called_contradictory_about_once_in_a_hundred() -> None:
    rng = np.random.default_rng(3)
    alarms = 0
    for _ in range(400):
        mountings = []
        for i in (0, 120, 240):
            v = _seen(_polar(1e-4, 20), _polar(2e-4, 140), i).runout
            dx, dy = rng.normal(0, 5e-6, 2)
            mountings.append(Mounting(i, Vector(v.x + dx, v.y + dy, 25e-12, 25e-12)))
        alarms += solve_mountings(mountings).contradiction is not None
    assert alarms <= 12


def test_a_part_that_was_not_turned_is_pointed_out() -> None:
    with pytest.raises(VibeorderError, match="only 0 degrees apart"):
        solve_mountings([_seen(1e-4 + 0j, 0j, 0), _seen(1e-4 + 0j, 0j, 360)])


def test_one_mounting_is_not_a_half_turn_test() -> None:
    with pytest.raises(VibeorderError, match="turn the part half a turn"):
        solve_mountings([_seen(1e-4 + 0j, 0j, 0)])


def test_marks_and_crush_sleeve_are_always_reminded_of() -> None:
    sheet = halfturn_sheet(solve_mountings([_seen(1e-4 + 0j, 0j, i, 5e-6) for i in (0, 180)]), "thou")
    assert any("crush sleeve" in n for n in sheet.notes)
    assert any("Mark both parts" in n for n in sheet.notes)


def test_the_best_bolting_subtracts_and_the_worst_adds() -> None:
    """Computed: first harmonics 0.030 and 0.018 in sum to 0.048 at worst and 0.012 at best."""
    shares = shares_of_parts(from_polar(0.018 * INCH, 0.0), from_polar(0.030 * INCH, 90.0))
    result = mate(shares, bolt_positions_deg(4))
    assert result.best.index_deg == 90.0
    assert result.best.runout.length == pytest.approx(0.012 * INCH)
    assert max(p.runout.length for p in result.positions) == pytest.approx(0.048 * INCH)


def test_the_tires_high_spot_goes_to_the_wheels_low_spot() -> None:
    """Computed: tire 0.8 at 40, wheel 0.2 at 150: read .7553 at 54.41, best turned by 290 degrees."""
    tire, wheel = _polar(0.8e-3, 40), _polar(0.2e-3, 150)
    mounted = tire + wheel
    assert (abs(mounted), math.degrees(np.angle(mounted))) == pytest.approx((0.7553e-3, 54.41), rel=1e-4)
    remounted = wheel - tire
    assert abs(remounted) == pytest.approx(0.8885e-3, rel=1e-4)
    first, second = (
        Mounting(i, Vector(m.real, m.imag, 1e-12, 1e-12)) for i, m in ((0, mounted), (180, remounted))
    )
    shares = solve_mountings([first, second], frame="fixed", fixed_name="wheel", moved_name="tire")
    assert best_index_deg(shares) == pytest.approx(290.0)
    best = mate(shares, (0.0, best_index_deg(shares))).best
    assert best.runout.length == pytest.approx(0.6e-3)


@given(
    st.floats(0.01, 1.0),
    st.floats(0, 360),
    st.floats(0.01, 1.0),
    st.floats(0, 360),
    st.sampled_from([2, 4, 6, 8]),
)
@settings(max_examples=80, deadline=None)
def test_every_bolting_lies_between_difference_and_sum(
    f: float, fa: float, m: float, ma: float, n: int
) -> None:
    shares = shares_of_parts(from_polar(f, fa), from_polar(m, ma))
    result = mate(shares, bolt_positions_deg(n))
    assert len(result.positions) == n
    for position in result.positions:
        assert abs(f - m) - 1e-9 <= position.runout.length <= f + m + 1e-9
    off = abs(circular_difference_deg(result.best.index_deg, result.free_index_deg))
    assert off <= 180.0 / n + 1e-6, "the best bolt hole is the one nearest the best angle"


@pytest.mark.parametrize(
    ("fixed", "moved", "remedy"),
    [((8, 0), (9, 90), "mate"), ((3, 0), (12, 90), "replace moved"), ((12, 0), (3, 90), "replace fixed"),
     ((8, 45), (14, 0), "replace both"), ((8, 0), (12, 90), "measure again")],
)  # fmt: skip
def test_matching_alone_or_which_part_to_replace(
    fixed: tuple[float, float], moved: tuple[float, float], remedy: str
) -> None:
    limit = RunoutLimit(4 * THOU, "4 thou")
    first, second = (from_polar(a * THOU, d, 0.2 * THOU, 1.0) for a, d in (fixed, moved))
    result = mate(shares_of_parts(first, second), bolt_positions_deg(4), limit)
    assert result.remedy == remedy
    assert mating_sheet(result, "thou").sentence.endswith(".")
