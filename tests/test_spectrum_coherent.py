"""Orders on a changing speed against synthetic truth, a general library, and rotors whose fault is known."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from vibeorder.errors import SpeedError
from vibeorder.spectrum import coherent_order

FloatArray = NDArray[np.float64]
DATA = Path(__file__).resolve().parents[2] / "shared" / "data" / "measuring-only"
RATE_HZ = 400.0


def run_up(seconds: float = 60.0, low: float = 9.0, high: float = 19.0) -> tuple[FloatArray, FloatArray]:
    """Times and turns of a shaft that speeds up evenly."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return time_s, low * time_s + (high - low) / (2 * seconds) * time_s**2


def test_a_stop_on_the_way_is_stepped_over() -> None:
    rate = np.concatenate([np.full(4000, 10.0), np.zeros(2000), np.full(4000, 12.0)])
    turns = np.cumsum(rate) / RATE_HZ
    assert coherent_order(np.cos(2 * np.pi * turns)[None], RATE_HZ, turns, 1.0).amplitude == pytest.approx(
        1, rel=0.02
    )


@settings(max_examples=20, deadline=None)
@given(st.floats(0.5, 9.0), st.floats(-3.1, 3.1), st.floats(-2.0, 2.0))
def test_amplitude_and_phase_of_an_order_come_out_as_they_went_in(
    order: float, phase: float, start: float
) -> None:
    _, turns = run_up(30.0)
    turns = turns + start
    samples = (0.4 * np.cos(2 * np.pi * order * turns + phase))[None] + 9.8
    found = coherent_order(samples, RATE_HZ, turns, order)
    assert abs(found.mean[0] - 0.4 * np.exp(1j * phase)) < 0.004
    assert found.amplitude == pytest.approx(0.4, rel=0.01)


def test_an_order_folded_at_half_the_rate_is_read_at_its_true_place() -> None:
    _, turns = run_up(60.0, 9.0, 12.0)
    # Order 27 runs from 243 to 324 Hz: above 200 Hz all the way, and in the samples from 157 down to 76 Hz.
    samples = (0.2 * np.cos(2 * np.pi * 27 * turns + 0.5))[None]
    samples = samples + 0.1 * np.random.default_rng(2).normal(size=samples.shape)
    found = coherent_order(samples, RATE_HZ, turns, 27.0)
    assert abs(found.mean[0] - 0.2 * np.exp(0.5j)) < 5 * found.mean_se[0]
    assert found.mean_se[0] < 0.003


def test_stated_errors_cover_what_noise_does() -> None:
    rng = np.random.default_rng(3)
    _, turns = run_up(20.0)
    z_mean, z_amplitude = [], []
    for _ in range(40):
        samples = 0.1 * np.cos(2 * np.pi * turns + 0.7) + 0.3 * rng.normal(size=(1, turns.size))
        found = coherent_order(samples, RATE_HZ, turns, 1.0)
        z_mean.append((found.mean[0] - 0.1 * np.exp(0.7j)).real / found.mean_se[0])
        z_amplitude.append((found.amplitude - 0.1) / found.amplitude_se)
    # 40 draws: the scatter of a right one is within a quarter of 1 with 97% chance.
    assert 0.7 < np.sqrt(np.mean(np.square(z_mean))) < 1.35
    assert 0.6 < np.sqrt(np.mean(np.square(z_amplitude))) < 1.5


def test_an_absent_order_has_no_amplitude_worth_naming() -> None:
    _, turns = run_up(30.0)
    samples = 0.3 * np.random.default_rng(4).normal(size=(3, turns.size))
    found = coherent_order(samples, RATE_HZ, turns, 2.0)
    assert found.amplitude < 3 * found.amplitude_se
    assert abs(found.snr) < 0.3


@pytest.mark.parametrize("frequency_hz", [12.3, 140.0])
def test_jittered_times_give_what_lomb_and_scargle_give(frequency_hz: float) -> None:
    from scipy.signal import lombscargle

    rng = np.random.default_rng(5)
    # Stamps of a phone, 100 Hz with 10% jitter; 140 Hz is above half of that rate and must still be read.
    time_s = np.arange(6000) / 100.0 + rng.normal(size=6000) * 1e-3
    samples = 0.5 * np.cos(2 * np.pi * frequency_hz * time_s + 1.0) + 0.2 * rng.normal(size=6000)
    order = frequency_hz / 10.0
    found = coherent_order(
        samples[None], 100.0, np.maximum.accumulate(10.0 * time_s), order, block_turns=100.0
    )
    omega = 2 * np.pi * np.array([frequency_hz, 5.0])
    library = lombscargle(time_s, samples, omega, normalize="amplitude")[0]
    # The library's amplitude goes with exp(-j w t), ours with exp(+j w t).
    assert abs(found.mean[0] - np.conj(library)) < 0.015


@pytest.mark.parametrize(("name", "rpm", "peak_g", "tolerance"), [
    ("rig_1800rpm_heavy_unbalance_1khz.csv", 1800, 0.0157, 0.05),
    ("rig_3000rpm_heavy_unbalance_1khz.csv", 3000, 0.0517, 0.05),
    ("rig_1800rpm_balanced_1khz.csv", 1800, 0.0012, 0.15),
])  # fmt: skip
def test_first_order_of_a_rotor_on_a_rig_has_its_listed_amplitude(
    name: str, rpm: int, peak_g: float, tolerance: float
) -> None:
    if not (DATA / name).exists():
        pytest.skip("shared measuring-only recordings are not here")
    # Amplitudes as listed beside the files. The first 50 ms are the sensor switching on.
    table = np.loadtxt(DATA / name, delimiter=",", skiprows=1)[50:]
    found = coherent_order(table[:, 1:].T, 1000.0, table[:, 0] * rpm / 60.0, 1.0)
    assert found.amplitude == pytest.approx(peak_g, rel=tolerance)
    assert found.snr > 30


def test_a_missing_balance_weight_shows_at_once_a_turn_against_the_mark() -> None:
    path = DATA / "rotor_with_mark"
    if not path.exists():
        pytest.skip("shared measuring-only recordings are not here")
    # Listed beside the files: without the weight 1x of 0.0083 to 0.0112 g at -21 to -28 degrees from the mark
    # at 50 to 53 Hz, and 0.0328 g at 59.5 Hz; with it at most 0.0031 g. One count is 0.061 mg. The mark alone
    # gives the angle.
    without = [_first_order_g(path / f"without_weight_{i}.csv") for i in range(5)]
    balanced = [_first_order_g(path / f"with_weight_{i}.csv") for i in range(5)]
    assert max(np.abs(balanced)) < 0.0035
    slow = [a for a in without if abs(a) < 0.02]
    assert len(slow) == 4
    for amplitude in slow:
        assert 0.0078 < abs(amplitude) < 0.0118
        assert -32 < np.degrees(np.angle(amplitude)) < -17


def _first_order_g(path: Path) -> complex:
    _, counts, mark = np.loadtxt(path, delimiter=",", skiprows=2).T
    # A turn is counted from the falling edge of the mark.
    edges = np.flatnonzero((mark[1:] == 0) & (mark[:-1] != 0)) + 1
    turns = np.interp(np.arange(mark.size), edges, np.arange(edges.size, dtype=float))
    inside = slice(int(edges[0]), int(edges[-1]) + 1)
    found = coherent_order(counts[None, inside] * 0.061e-3, 952.0, turns[inside], 1.0)
    return complex(found.mean[0])


@pytest.mark.parametrize(("turns", "said"), [
    (np.linspace(10.0, 0.0, 400), "falls"),
    (np.full(400, np.nan), "no numbers|unknown"),
    (np.linspace(0.0, 0.4, 400), "turns"),
    (np.linspace(0.0, 10.0, 300), "do not fit"),
])  # fmt: skip
def test_angles_that_cannot_be_followed_are_refused_in_words(turns: FloatArray, said: str) -> None:
    samples = np.zeros((3, 400))
    valid = np.ones(400, dtype=np.bool_)
    with pytest.raises(SpeedError, match=said):
        coherent_order(samples, RATE_HZ, turns, 1.0, valid=valid)


def test_too_few_turns_for_a_block_are_named() -> None:
    turns = np.linspace(0.0, 5.0, 400)
    with pytest.raises(SpeedError, match=r"5\.0 turns"):
        coherent_order(np.zeros((1, 400)), RATE_HZ, turns, 1.0)
