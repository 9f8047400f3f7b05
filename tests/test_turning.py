"""A part turning at a known rate outside a vehicle: orders, phases, and lines that are no order."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.bench.typed import parse_shakes
from vibeorder.cli import main
from vibeorder.errors import SpeedError
from vibeorder.recording import ReadOptions, Recording, read_recording
from vibeorder.spectrum import OrderRow, Turning, turning_orders

DATA = Path(__file__).resolve().parents[1].parent / "shared" / "data"
shared = pytest.mark.skipif(not DATA.is_dir(), reason="the shared real recordings are not on this machine")

RATE_HZ = 500.0


def shake(turn_hz: float, orders: dict[float, float], seconds: float = 20.0, seed: int = 0) -> np.ndarray:
    """Orders of a rotor on one of three axes, over noise of 0.05 an axis."""
    rng = np.random.default_rng(seed)
    turns = turn_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    samples = 0.05 * rng.standard_normal((3, turns.size))
    for order, amplitude in orders.items():
        samples[1] += amplitude * np.cos(2 * np.pi * order * turns + 0.5)
    return samples


def judged(samples: np.ndarray, turn_hz: float) -> Turning:
    return turning_orders(samples, np.ones(samples.shape[1], bool), RATE_HZ, turn_rate_hz=turn_hz)


def row(result: Turning, order: float) -> OrderRow:
    return next(one for one in result.orders if one.order == order)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.972, 1.028), st.integers(0, 5))
def test_the_true_rate_is_found_within_three_percent_of_the_one_given(off: float, seed: int) -> None:
    """Property: the fitted rate is the true one, and each order's amplitude is what was put in."""
    result = judged(shake(11.0, {1.0: 0.3, 1.5: 0.2, 3.0: 0.5}, seed=seed), 11.0 * off)
    assert result.rate_hz == pytest.approx(11.0, rel=5e-4)
    assert result.confirmed >= 3
    for order, amplitude in ((1.0, 0.3), (1.5, 0.2), (3.0, 0.5)):
        assert row(result, order).seen
        assert row(result, order).amplitude == pytest.approx(amplitude, rel=0.05)
    assert not row(result, 4.0).seen


def test_a_fixed_line_is_not_called_an_order() -> None:
    samples = shake(11.0, {1.0: 0.3, 2.0: 0.2})
    samples[0] += 0.4 * np.cos(2 * np.pi * 18.9 * np.arange(samples.shape[1]) / RATE_HZ)
    result = judged(samples, 11.0)
    names = {round(one.line.frequency_hz, 1): one.order for one in result.lines}
    assert names == {11.0: 1.0, 22.0: 2.0, 18.9: None}


def test_a_lone_line_is_said_to_prove_nothing_by_itself() -> None:
    result = judged(shake(11.0, {1.0: 0.3}), 11.0)
    assert result.confirmed == 1
    assert any("a fixed frequency would too" in note for note in result.notes)


def test_an_order_above_half_the_sample_rate_is_named_at_its_mirror_image() -> None:
    """2x of 140 Hz is 280 Hz, which 500 samples a second show at 220 Hz (sampling theorem)."""
    turns = 140.0 * np.arange(10_000) / RATE_HZ
    samples = 0.05 * np.random.default_rng(0).standard_normal((1, turns.size))
    samples[0] += np.cos(2 * np.pi * turns) + 0.7 * np.cos(4 * np.pi * turns)
    named = {round(one.line.frequency_hz): (one.order, one.folded) for one in judged(samples, 140.0).lines}
    assert named[140] == (1.0, False)
    assert named[220] == (2.0, True)


@settings(max_examples=15, deadline=None)
@given(st.floats(-179.0, 179.0), st.floats(0.0, 0.9))
def test_the_mark_gives_the_phase_wherever_it_falls_in_the_record(phase_deg: float, first: float) -> None:
    """Property: x = A cos(2 pi (turns since the mark) + phase) comes back, marks read to half a sample."""
    at = np.arange(5000) / RATE_HZ
    turns = 25.0 * at - first
    samples = 0.02 * np.random.default_rng(3).standard_normal((1, at.size))
    samples[0] += 0.4 * np.cos(2 * np.pi * turns + np.radians(phase_deg))
    exact = (np.arange(0, 240) + first) / 25.0
    marks = (np.floor(exact * RATE_HZ) + 0.5) / RATE_HZ
    result = turning_orders(samples, np.ones(at.size, bool), RATE_HZ, mark_times_s=marks)
    assert result.rate_hz == pytest.approx(25.0, rel=1e-3)
    first_order = row(result, 1.0)
    assert first_order.amplitude == pytest.approx(0.4, rel=0.03)
    off = (first_order.phases_deg[0] - phase_deg + 180.0) % 360.0 - 180.0
    assert abs(off) < 10.0  # half a sample of 500 a second at 25 turns a second is 9 degrees


def test_missed_and_doubled_marks_are_mended_and_said() -> None:
    at = np.arange(5000) / RATE_HZ
    samples = 0.4 * np.cos(2 * np.pi * 10.0 * at)[None, :] + 0.01
    marks = np.delete(np.arange(1, 99) / 10.0, [20, 21])
    marks = np.sort(np.append(marks, 5.003))
    result = turning_orders(samples, np.ones(at.size, bool), RATE_HZ, mark_times_s=marks)
    assert result.rate_hz == pytest.approx(10.0, rel=1e-3)
    assert "marks mended by their even spacing: 2 missed, 1 doubled" in result.notes


def test_what_cannot_be_a_once_a_turn_mark_is_refused() -> None:
    samples = np.random.default_rng(0).standard_normal((1, 5000))
    valid = np.ones(5000, bool)
    with pytest.raises(SpeedError, match="uneven"):
        marks = np.cumsum(np.random.default_rng(1).uniform(0.02, 0.2, 60))
        turning_orders(samples, valid, RATE_HZ, mark_times_s=marks)
    with pytest.raises(SpeedError, match="five or more"):
        turning_orders(samples, valid, RATE_HZ, mark_times_s=np.array([1.0, 2.0]))
    with pytest.raises(SpeedError, match="neither"):
        turning_orders(samples, valid, RATE_HZ)
    with pytest.raises(SpeedError, match="12 or more"):
        turning_orders(samples, valid, RATE_HZ, turn_rate_hz=0.5)
    with pytest.raises(SpeedError, match="above zero"):
        turning_orders(samples, valid, RATE_HZ, turn_rate_hz=-5.0)


def log(folder: Path) -> Path:
    samples = shake(30.0, {1.0: 0.5, 2.0: 0.2}, seconds=10.0)
    mark = (np.arange(samples.shape[1]) * 30 % 500 < 30).astype(int)
    rows = "\n".join(
        f"{i / RATE_HZ:.3f},{samples[0, i]:.4f},{samples[1, i]:.4f},{9.8 + samples[2, i]:.4f},{mark[i]}"
        for i in range(samples.shape[1])
    )
    path = folder / "stand.csv"
    path.write_text(f"time (s),x (m/s^2),y (m/s^2),z (m/s^2),spot\n{rows}\n")
    return path


def test_the_command_prints_the_orders_and_writes_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.json"
    assert main(["turning", str(log(tmp_path)), "--turning", "1790 rpm", "--json", str(out)]) == 0
    text = capsys.readouterr().out
    assert "1800.0" in text.splitlines()[0]
    assert "1x" in text
    assert json.loads(out.read_text())["orders"][1]["amplitude"] == pytest.approx(0.5, rel=0.05)


def test_what_the_command_prints_of_the_mark_the_balance_calculation_reads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["turning", str(log(tmp_path)), "--mark-column", "spot"]) == 0
    line = next(one for one in capsys.readouterr().out.splitlines() if "bench balance" in one)
    shakes, phased = parse_shakes(line.split('"')[1])
    assert phased
    assert len(shakes) == 3
    assert abs(shakes[1]) == pytest.approx(0.5, rel=0.05)
    # put in with 0.5 rad against sample 0, which the mark's rising edge straddles: half a sample is 10.8 deg
    assert np.degrees(np.angle(shakes[1])) == pytest.approx(np.degrees(0.5), abs=12.0)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "--rate-of-turn"),
        (["--rate-of-turn", "fast"], "1800 rpm"),
        (["--rate-of-turn", "0 rpm"], "above zero"),
        (["--rate-of-turn", "30 Hz", "--from", "20 s"], "leaves nothing"),
        (["--mark-column", "flag"], "--mark-column"),
    ],
)
def test_a_slip_ends_in_one_sentence(
    tmp_path: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["turning", str(log(tmp_path)), *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert said in err


def real(name: str, options: ReadOptions = ReadOptions()) -> Recording:  # noqa: B008 (frozen)
    return read_recording(DATA / name, options)


@shared
@pytest.mark.parametrize("said_rpm", [635.0, 650.0, 665.0])
def test_the_real_idling_six_turns_at_649_and_its_lines_have_their_names(said_rpm: float) -> None:
    """PROVENANCE.md: a four-stroke six at 649 rpm; 32.47 Hz is 3x, 65.0 6x, 10.83 1x, 16.24 1.5x."""
    engine = real("measuring-only/bus/idle_six_cylinder_500hz.csv", ReadOptions(rate_hz=500.0))
    result = turning_orders(engine.samples, engine.valid, engine.rate_hz, turn_rate_hz=said_rpm / 60.0)
    assert result.rate_hz * 60.0 == pytest.approx(649.0, abs=2.0)
    named = {one.order: one.line.frequency_hz for one in result.lines if one.order is not None}
    for order, frequency_hz in ((1.0, 10.83), (1.5, 16.24), (3.0, 32.47), (6.0, 65.0), (20.0, 216.6)):
        assert named[order] == pytest.approx(frequency_hz, rel=0.002)
    assert row(result, 3.0).amplitude == pytest.approx(0.32, rel=0.05)
    assert row(result, 6.0).amplitude == pytest.approx(0.165, rel=0.05)


def rotor(name: str) -> tuple[float, OrderRow]:
    one = real(f"measuring-only/rotor_with_mark/{name}.csv")
    assert one.mark_times_s is not None
    result = turning_orders(one.samples, one.valid, one.rate_hz, mark_times_s=one.mark_times_s - one.start_s)
    return result.rate_hz, row(result, 1.0)


@shared
def test_the_real_rotor_shakes_three_times_less_with_its_balancing_weight() -> None:
    """PROVENANCE.md: 1x without the weight 0.0083 to 0.0112 g, with it 0.0007 to 0.0024 (50 to 56 Hz)."""
    without = [rotor(f"without_weight_{i}") for i in range(5)]
    balanced = [rotor(f"with_weight_{i}") for i in range(5)]
    pairs = [
        (bare.amplitude, weighed.amplitude)
        for rate, bare in without
        for other, weighed in balanced
        if abs(other / rate - 1.0) < 0.02
    ]
    assert len(pairs) >= 4
    assert all(bare > 3.0 * weighed for bare, weighed in pairs)
    assert all(
        0.0083 * 0.95 < bare.amplitude * 0.061e-3 < 0.0112 * 1.05 for rate, bare in without if rate < 55.0
    )


@shared
def test_the_real_rotors_phase_is_steady_from_run_to_run() -> None:
    """PROVENANCE.md: -21 to -28 degrees at 50 to 53 Hz, counted from the sample after the edge.

    Counted from between the two samples it is half a sample of 952 a second earlier, 9 degrees.
    """
    phases = [
        one.phases_deg[0] for rate, one in (rotor(f"without_weight_{i}") for i in range(5)) if rate < 55.0
    ]
    assert len(phases) == 4
    assert np.ptp(phases) < 15.0
    assert np.mean(phases) == pytest.approx(-24.5 - 9.0, abs=6.0)


@shared
@pytest.mark.parametrize(
    ("percent", "turn_hz", "first_g"),
    [(35, 7.0, 0.043), (50, 8.5, 0.24), (60, 9.6, 0.40), (75, 11.8, 0.84), (90, 14.3, 1.29)],
)
def test_the_real_fans_first_order_moves_and_its_fixed_line_is_no_order(
    percent: int, turn_hz: float, first_g: float
) -> None:
    """PROVENANCE.md: side by side 35% 7.0 Hz 0.043 g to 90% 14.3 Hz 1.29 g; opposite: 15.2 Hz at any speed."""
    names = ReadOptions(rate_hz=50.0, axes=("x", "y", "z"))
    for layout, balanced in ((1, False), (3, True)):
        name = f"redistributable/fan_with_weights/layout{layout}.csv"
        setting = np.loadtxt(DATA / name, delimiter=",", skiprows=1, usecols=1)
        fan = real(name, names)
        now = np.flatnonzero(setting == percent)
        part = slice(int(now[0]), int(now[-1]) + 1)
        result = turning_orders(fan.samples[:, part], fan.valid[part], fan.rate_hz, turn_rate_hz=turn_hz)
        if not balanced:
            assert row(result, 1.0).amplitude / 9.80665 == pytest.approx(first_g, rel=0.15)
            assert any(one.order == 1.0 for one in result.lines)
        fixed = [one for one in result.lines if 15.1 < one.line.frequency_hz < 15.35]
        assert all(one.order is None for one in fixed)
        assert fixed or not balanced or percent > 70


@shared
def test_the_real_rigs_unbalance_grows_with_speed_squared() -> None:
    """PROVENANCE.md: heavy unbalance 0.0157 g at 30 Hz and 0.0517 g at 50 Hz, balanced 0.0012 g at 30 Hz."""
    for name, rpm, first_g in (
        ("1800rpm_heavy_unbalance", 1800, 0.0157),
        ("3000rpm_heavy_unbalance", 3000, 0.0517),
        ("1800rpm_balanced", 1800, 0.0012),
    ):
        rig = real(f"measuring-only/rig_{name}_1khz.csv")
        result = turning_orders(rig.samples, rig.valid, rig.rate_hz, turn_rate_hz=rpm / 60.0)
        assert row(result, 1.0).amplitude / 9.80665 == pytest.approx(first_g, rel=0.3), name


def test_an_order_that_is_not_seen_has_no_strength_but_an_upper_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["turning", str(log(tmp_path)), "--turning", "1790 rpm"]) == 0
    unseen = [row for row in capsys.readouterr().out.splitlines() if row.endswith("not seen")]
    assert unseen
    assert all(re.search(r"under [\d.e-]+ +- +not seen$", row) for row in unseen)
