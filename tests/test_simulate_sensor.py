"""Road, phone, GPS, dash and microphone: what the simulated sensor adds and loses, by independent means."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal, stats

from vibeorder.errors import RecordingError, SpeedError
from vibeorder.simulate import (
    Body,
    Clock,
    Drive,
    Fault,
    Gps,
    Microphone,
    Road,
    RoadTest,
    Scenario,
    random_vehicle,
    road_test,
)
from vibeorder.units import MPH_MPS, STANDARD_GRAVITY

TRUCK = random_vehicle(np.random.default_rng(1), "rwd")
SWEEP = Drive("sweep", (12.0, 30.0, 14.0))
STEADY = Drive("steady", (25.0,))


def made(scenario: Scenario, seed: int = 0) -> RoadTest:
    return road_test(TRUCK, scenario, np.random.default_rng(seed))


def test_the_same_seed_gives_the_same_road_test_and_another_seed_another() -> None:
    scenario = Scenario(SWEEP, 20.0, clock=Clock(0.07, 2e-4, 0.01))
    first, again, other = made(scenario, 1), made(scenario, 1), made(scenario, 2)
    assert np.array_equal(first.samples, again.samples) and np.array_equal(first.times_s, again.times_s)
    assert first.dash_text == again.dash_text
    assert first.samples.shape != other.samples.shape or not np.array_equal(first.samples, other.samples)


@pytest.mark.parametrize("seed", range(4))
def test_road_noise_has_the_level_asked_for_and_falls_with_frequency(seed: int) -> None:
    road = Road(level_mps2=0.4, roughness_sd=0.0)
    scenario = Scenario(STEADY, 60.0, 1000.0, healthy_scale=0.0, road=road, resolution_mps2=0.0)
    shake = made(scenario, seed).samples
    rms = np.sqrt(np.mean(np.var(shake, axis=1)))
    assert 0.6 * 0.4 < rms < 1.4 * 0.4  # axes differ by that much
    f, density = signal.welch(shake, 1000.0, nperseg=2048)
    total = density.sum(0)
    low, high = (np.median(total[(f > a) & (f < 2 * a)]) for a in (3.0, 200.0))
    # f**-1.2 from 3-6 to 200-400 Hz: 22 dB; body modes lift either end by some dB.
    assert 10.0 < 10 * np.log10(low / high) < 45.0


def test_noise_above_half_the_rate_folds_down_as_no_filter_stands_before_the_sensor() -> None:
    # White road noise: its power lies between 0 and the sampling rate and all of it stays in the samples.
    road = Road(level_mps2=0.5, slope=0.0, roughness_sd=0.0)
    scenario = Scenario(STEADY, 60.0, 200.0, healthy_scale=0.0, road=road, resolution_mps2=0.0)
    shake = made(scenario, 3).samples
    f, density = signal.welch(shake, 200.0, nperseg=1024)
    total = density.sum(0)
    upper = np.median(total[(f > 85.0) & (f < 99.0)])
    lower = np.median(total[(f > 4.0) & (f < 8.0)])
    assert upper > 0.4 * lower


def test_the_road_is_louder_when_driven_faster() -> None:
    drive = Drive("sweep", (10.0, 10.0, 30.0, 30.0), wobble=0.0)
    road = Road(roughness_sd=0.0)
    scenario = Scenario(drive, 90.0, healthy_scale=0.0, road=road, random_orientation=False)
    shake = made(scenario).samples
    slow, fast = shake[:, 1000:5000].std(1), shake[:, 13000:17000].std(1)
    assert np.exp(np.log(fast / slow).mean()) == pytest.approx(3.0**0.7, rel=0.15)


def test_bumps_give_the_road_heavy_tails() -> None:
    smooth = Scenario(STEADY, 60.0, healthy_scale=0.0, road=Road(roughness_sd=0.0), random_orientation=False)
    bumpy = replace(smooth, road=Road(roughness_sd=0.0, bumps_per_minute=10.0))
    # A Gaussian has excess kurtosis 0; 12 000 correlated samples scatter round it.
    assert abs(stats.kurtosis(made(smooth).samples[2])) < 0.5
    assert stats.kurtosis(made(bumpy).samples[2]) > 3.0


def test_slab_joints_come_once_a_slab() -> None:
    drive = replace(STEADY, wobble=0.0)
    road = Road(level_mps2=1e-6, joint_spacing_m=5.0, joint_mps2=0.5, wheelbase_m=2.0)
    shake = made(Scenario(drive, 40.0, healthy_scale=0.0, road=road, random_orientation=False)).samples[2]
    f, power = signal.periodogram(shake, 200.0, "hann")
    comb = [power[np.abs(f - k * 25.0 / 5.0) < 0.1].max() for k in (1, 2, 3, 4)]
    between = [power[np.abs(f - (k + 0.5) * 5.0) < 0.1].max() for k in (1, 2, 3)]
    assert max(comb) > 20 * max(between)


def test_the_rear_axle_repeats_the_road_one_wheelbase_later() -> None:
    road = Road(level_mps2=0.5, slope=0.0, roughness_sd=0.0, wheelbase_m=3.0, echo=1.0)
    scenario = Scenario(
        replace(STEADY, wobble=0.0), 60.0, 200.0, healthy_scale=0.0, road=road, random_orientation=False
    )
    shake = made(scenario).samples[0]
    white = np.fft.rfft(shake - shake.mean())
    echo = np.fft.irfft(np.log(np.abs(white) ** 2 + 1e-12))  # cepstrum (Bogert, Healy & Tukey 1963)
    lag = 10 + int(np.argmax(echo[10:60]))
    assert lag / 200.0 == pytest.approx(3.0 / 25.0, abs=0.006)


def test_a_phone_at_rest_on_a_smooth_road_reads_gravity_in_some_direction() -> None:
    for seed in range(5):
        test = made(Scenario(STEADY, 20.0, road=Road(level_mps2=0.1)), seed)
        assert np.linalg.norm(test.samples.mean(1)) == pytest.approx(STANDARD_GRAVITY, abs=0.02)
        turn = test.truth.orientation
        assert np.allclose(turn @ turn.T, np.eye(3)) and np.linalg.det(turn) == pytest.approx(1.0)
    assert np.allclose(np.round(test.samples / 0.01), test.samples / 0.01)


def test_the_clock_jitters_and_drops_as_asked_and_never_runs_backwards() -> None:
    clock = Clock(jitter=0.07, stamp_error_s=2e-4, drops=0.02, rate_offset=0.01)
    test = made(Scenario(STEADY, 60.0, 200.0, clock=clock))
    steps = np.diff(test.times_s)
    assert steps.min() > 0
    assert np.median(steps) == pytest.approx(1 / 202.0, rel=0.005)
    assert test.times_s.size == pytest.approx(60.0 * 202.0 * 0.98, rel=0.005)
    single = steps[steps < 1.5 / 202.0]
    # Two independent ends: variance 2 (jitter^2 + error^2).
    assert single.std() == pytest.approx(np.sqrt(2 * ((0.07 / 202.0) ** 2 + 2e-4**2)), rel=0.08)


def test_true_stamps_keep_a_line_sharp_that_even_counting_smears() -> None:
    clock = Clock(jitter=0.07, drops=0.02)
    fault = (Fault("driveshaft", 1.0, 0.2),)
    test = made(
        Scenario(
            Drive("steady", (25.0,), ((0.0, 2),), wobble=0.0), 40.0, 200.0, faults=fault, healthy_scale=0.0,
            clock=clock, road=Road(level_mps2=1e-6), body=Body(steady=True), random_orientation=False,
        )
    )  # fmt: skip
    line = test.truth.fault
    assert line is not None
    shake = test.samples - test.samples.mean(1, keepdims=True)

    def strength(times: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
        turn = np.exp(-2j * np.pi * line.frequency_hz[0] * times)
        return float(np.linalg.norm(2 * (shake * turn).mean(1)))

    assert strength(test.times_s) == pytest.approx(0.2 * np.sqrt(2), rel=0.02)
    assert strength(np.arange(test.times_s.size) / 200.0) < 0.1


@pytest.mark.parametrize("lag_s", [0.5, 0.8, 1.0])
def test_gps_speed_comes_once_a_second_and_late(lag_s: float) -> None:
    test = made(Scenario(SWEEP, 90.0, gps=Gps(noise_mps=0.02, lag_s=lag_s)), 4)
    assert test.gps is not None and test.truth.gps_lag_s == lag_s
    assert np.allclose(np.diff(test.gps.times_s), 1.0)
    lags = np.arange(0.0, 2.0, 0.02)
    misfit = [
        np.std(
            test.gps.speed_mps - np.interp(test.gps.times_s - lag, test.truth.times_s, test.truth.speed_mps)
        )
        for lag in lags
    ]
    assert lags[int(np.argmin(misfit))] == pytest.approx(lag_s, abs=0.05)


def test_lost_gps_fixes_are_left_out_and_the_lag_is_drawn_when_not_given() -> None:
    lags = []
    for seed in range(8):
        test = made(Scenario(SWEEP, 60.0, gps=Gps(dropouts=0.3)), seed)
        assert test.gps is not None and test.truth.gps_lag_s is not None
        lags.append(test.truth.gps_lag_s)
        assert 60 * 0.5 < test.gps.times_s.size <= 60 * 0.7 + 1
    assert min(lags) >= 0.5 and max(lags) <= 1.0 and np.ptp(lags) > 0.1
    assert made(Scenario(SWEEP, 10.0, gps=None)).gps is None


def test_the_dash_reads_up_to_four_percent_high_and_never_low() -> None:
    # UN Regulation 39, 5.3: never low. Up to 4%: common practice, no source.
    factors = []
    for seed in range(30):
        test = made(Scenario(replace(STEADY, wobble=0.0), 2.0), seed)
        factors.append(test.truth.dash_factor)
        shown = float(test.dash_text.removesuffix(" mph"))
        assert abs(shown - 25.0 / MPH_MPS * test.truth.dash_factor) <= 0.5
        assert test.dash_mps == (shown * MPH_MPS, shown * MPH_MPS)
    assert min(factors) >= 1.0 and max(factors) <= 1.04 and np.mean(factors) == pytest.approx(1.02, abs=0.008)


def test_a_driver_who_holds_the_dash_wanders_by_one_percent_at_most() -> None:
    for seed in range(10):
        speed = made(Scenario(replace(STEADY, wobble=0.0, drift=0.01), 60.0), seed).truth.speed_mps
        assert np.ptp(speed) / 25.0 > 0.002 and np.abs(speed / 25.0 - 1.0).max() <= 0.01 + 1e-12


def _voice(**changes: float) -> Scenario:
    return Scenario(
        Drive("steady", (25.0,), ((0.0, 2),), wobble=0.0), 10.0, 8000.0, "audio",
        faults=(Fault("driveshaft", 1.0, 1.0),), healthy_scale=0.0, body=Body(steady=True),
        microphone=Microphone(**{"noise": 1e-4, "highpass_hz": 80.0, **changes}),  # type: ignore[arg-type]
    )  # fmt: skip


def test_a_microphone_loses_the_bottom_octaves_and_hears_the_harmonics() -> None:
    test = made(_voice())
    fault = test.truth.fault
    assert fault is not None and test.samples.shape == (1, 80_000)
    assert np.abs(test.samples).max() <= 1.0
    f, power = signal.periodogram(test.samples[0], 8000.0, "flattop", scaling="spectrum")
    rate = float(fault.frequency_hz[0])
    heard = np.array([power[np.abs(f - k * rate) < 1.0].max() for k in (1, 2, 3, 4)])
    assert np.all(heard > 1e3 * np.median(power))
    # Butterworth of second order: |H|^2 = 1 / (1 + (fc/f)^4) (any filter handbook); harmonics fall by half.
    k = np.arange(1, 5)
    expected = 0.25 ** (k - 1.0) / (1 + (80.0 / (k * rate)) ** 4)
    assert np.allclose(heard / heard.sum(), expected / expected.sum(), rtol=0.05)


def test_the_gain_control_flattens_what_the_speed_makes_loud() -> None:
    def rise(exponent: float) -> float:
        sweep = replace(
            _voice(gain_exponent=exponent, gain_time_s=1.0, noise=1.0),
            drive=Drive("sweep", (10.0, 10.0, 30.0, 30.0)), duration_s=30.0, faults=(),
        )  # fmt: skip
        sound = made(sweep).samples[0]
        return float(sound[200_000:].std() / sound[20_000:60_000].std())

    assert rise(0.0) > 3.0
    assert rise(0.5) < 0.6 * rise(0.0)


def test_what_no_sensor_does_is_refused_with_a_sentence() -> None:
    with pytest.raises(RecordingError, match=r"acceleration is simulated at 50 to 1000 Hz, not at 8000 Hz"):
        made(Scenario(STEADY, 10.0, 8000.0))
    with pytest.raises(RecordingError, match=r"lasts 2 to 3600 s, not 1 s"):
        made(Scenario(STEADY, 1.0))
    with pytest.raises(SpeedError, match="needs speeds of 0 m/s or more"):
        made(Scenario(Drive("sweep", (10.0, -3.0))))


def test_a_phone_feels_the_vehicle_speed_up_along_the_road_and_gravity_where_it_climbs() -> None:
    drive = Drive("sweep", (10.0, 30.0, 10.0), wobble=0.0)
    flat = Road(level_mps2=1e-6)
    scenario = Scenario(drive, 60.0, healthy_scale=0.0, road=flat, random_orientation=False)
    test = made(scenario)
    # dv/dt of the very speeds, by differences over two seconds; the way forward is the first axis
    each = np.arange(2.0, 58.0, 1.0)
    change = np.interp(each + 1.0, test.truth.times_s, test.truth.speed_mps)
    change = (change - np.interp(each - 1.0, test.truth.times_s, test.truth.speed_mps)) / 2.0
    felt = np.interp(each, test.times_s, test.samples[0])
    assert np.abs(change).max() > 0.5
    assert felt == pytest.approx(change, abs=0.05)
    assert np.abs(test.samples[1]).max() < 0.02
    hilly = made(replace(scenario, road=replace(flat, grade_sd=0.03, curve_sd_per_m=4e-4)))
    climbs = np.interp(each, hilly.times_s, hilly.samples[0]) - change
    assert 0.1 < climbs.std() < 0.6  # 3% of gravity, 0.29 m/s^2, in the few hills of a kilometer
    assert np.abs(hilly.samples[1]).max() > 0.05
