"""The made shake against its arithmetic, seen through scipy.signal, which knows nothing of the simulator.

Rates: wheel = speed / (3.05 x diameter x scale) (3.05: ETRTO convention), shaft = wheel x axle ratio,
engine = shaft x gear. A periodogram's peak stands at the line's frequency; its amplitude is sqrt(2) x rms.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from vibeorder.errors import VehicleError
from vibeorder.simulate import (
    HEALTHY,
    Body,
    Converter,
    Drive,
    Fault,
    Road,
    RoadTest,
    Scenario,
    random_vehicle,
    road_test,
    truth_group,
)
from vibeorder.units import STANDARD_GRAVITY
from vibeorder.vehicle import parse_vehicle

FloatArray = NDArray[np.float64]

TRUCK = parse_vehicle(
    {
        "vehicle": {"name": "test truck", "layout": "rwd"},
        "tire": {"diameter_mm": 800.0},
        "axle": {"ratio": 3.73},
        "transmission": {"gears": [3.0, 1.6, 1.0, 0.7]},
        "engine": {"cylinders": 8},
    }
)
CIRCUMFERENCE_M = 3.05 * 0.8
QUIET = Road(level_mps2=1e-6)
STEADY = Drive("steady", (25.0,), ((0.0, 4),), wobble=0.0)
BARE = Scenario(
    STEADY,
    duration_s=40.0,
    healthy_scale=0.0,
    tire_scale=1.0,
    body=Body(steady=True),
    road=QUIET,
    random_orientation=False,
    resolution_mps2=0.0,
)


def made(scenario: Scenario, seed: int = 0) -> RoadTest:
    return road_test(TRUCK, scenario, np.random.default_rng(seed))


def peak(test: RoadTest) -> tuple[float, float]:
    """Frequency and vector amplitude of the strongest line, from a flat-top periodogram."""
    shake = test.samples - test.samples.mean(1, keepdims=True)
    rate = test.scenario.rate_hz
    f, power = signal.periodogram(shake, rate, "flattop", nfft=4 * shake.shape[1], scaling="spectrum")
    total = power.sum(0)
    total[f < 2.0] = 0.0
    best = int(total.argmax())
    return float(f[best]), float(np.sqrt(2.0 * total[best]))


@pytest.mark.parametrize(
    ("part", "order", "per_wheel"),
    [
        ("tire_wheel", 1.0, 1.0),
        ("tire_wheel", 3.0, 3.0),
        ("driveshaft", 1.0, 3.73),
        ("driveshaft", 2.0, 7.46),
        ("engine", 1.0, 3.73 * 0.7),
        ("engine", 1.5, 3.73 * 0.7 * 1.5),
    ],
)
def test_a_fault_is_one_line_at_its_parts_rate_times_order_with_the_amplitude_asked_for(
    part: str, order: float, per_wheel: float
) -> None:
    frequency, amplitude = peak(made(replace(BARE, faults=(Fault(part, order, 0.2),))))
    assert frequency == pytest.approx(25.0 / CIRCUMFERENCE_M * per_wheel, abs=0.02)
    assert amplitude == pytest.approx(0.2 * np.sqrt(2.0), rel=0.02)


def test_a_larger_tire_turns_more_slowly() -> None:
    fault = (Fault("tire_wheel", 2.0, 0.2),)
    frequency, _ = peak(made(replace(BARE, faults=fault, tire_scale=1.02)))
    assert frequency == pytest.approx(2 * 25.0 / (CIRCUMFERENCE_M * 1.02), abs=0.02)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 400.0])
def test_a_line_above_half_the_rate_appears_folded(rate_hz: float) -> None:
    # Sampling theorem: f is seen at |f - k fs|. Firing of the eight: 4 x 26.75 Hz = 107.0 Hz.
    firing = 4 * 0.7 * 3.73 * 25.0 / CIRCUMFERENCE_M
    frequency, amplitude = peak(made(replace(BARE, rate_hz=rate_hz, faults=(Fault("engine", 4.0, 0.2),))))
    assert frequency == pytest.approx(abs(firing - rate_hz * round(firing / rate_hz)), abs=0.02)
    assert amplitude == pytest.approx(0.2 * np.sqrt(2.0), rel=0.02)


@pytest.mark.parametrize("seed", range(6))
def test_a_fading_line_in_a_sweep_has_the_rms_asked_for_over_the_record(seed: int) -> None:
    sweep = replace(
        BARE,
        drive=Drive("sweep", (12.0, 30.0, 20.0), ((0.0, 3),)),
        body=Body(),
        faults=(Fault("driveshaft", 1.0, 0.3),),
    )
    test = made(sweep, seed)
    shake = test.samples - np.array([[0.0], [0.0], [STANDARD_GRAVITY]])
    pull = np.gradient(test.truth.speed_mps, test.truth.times_s)  # the sweep itself, along the first axis
    shake[0] -= np.interp(test.times_s, test.truth.times_s, pull)
    assert np.sqrt((shake**2).sum(0).mean()) == pytest.approx(0.3, rel=0.03)


def test_in_a_sweep_the_line_follows_the_rate() -> None:
    sweep = replace(
        BARE, drive=Drive("sweep", (15.0, 30.0), ((0.0, 3),)), faults=(Fault("driveshaft", 1.0, 0.3),)
    )
    test = made(sweep)
    f, t, power = signal.spectrogram(
        test.samples - test.samples.mean(1, keepdims=True), 200.0, "hann", 400, 300, nfft=4096
    )
    ridge = f[power.sum(0).argmax(0)]
    expected = np.interp(t, test.truth.times_s, test.truth.speed_mps) / CIRCUMFERENCE_M * 3.73
    assert np.abs(ridge - expected).max() < 0.3
    assert ridge[-1] - ridge[0] > 15.0


def test_unbalance_grows_with_the_square_of_the_rate() -> None:
    # Force m r omega^2, any textbook on rotors. Body fades are averaged over seeds.
    sweep = replace(
        BARE,
        drive=Drive("sweep", (15.0, 30.0), ((0.0, 3),), wobble=0.0),
        faults=(Fault("driveshaft", 1.0, 0.3),),
        body=Body(length_ln_f=0.2),
    )
    slopes = []
    for seed in range(60):
        truth = made(replace(sweep, duration_s=20.0), seed).truth
        line = truth.fault
        assert line is not None
        rate = np.interp(line.gain_times_s, truth.times_s, line.frequency_hz)
        slopes.append(np.polyfit(np.log(rate), np.log(np.abs(line.gains)).mean(0), 1)[0])
    assert np.mean(slopes) == pytest.approx(2.0, abs=3 * np.std(slopes) / np.sqrt(60))


def test_four_tires_of_unequal_size_share_the_healthy_lines_power() -> None:
    body = replace(BARE, healthy_scale=1.0, body=Body(), duration_s=10.0)
    seed = 3
    equal = [x for x in made(body, seed).truth.lines if (x.part, x.order) == ("tire_wheel", 1.0)]
    unequal = [
        x
        for x in made(replace(body, tire_spread=0.003), seed).truth.lines
        if (x.part, x.order) == ("tire_wheel", 1.0)
    ]
    assert len(equal) == 1 and len(unequal) == 4
    assert sum(x.rms_mps2**2 for x in unequal) == pytest.approx(equal[0].rms_mps2 ** 2)
    assert len({round(float(x.frequency_hz[0]), 6) for x in unequal}) == 4


def test_healthy_lines_come_as_often_and_as_strong_as_the_table_says() -> None:
    levels = []
    for seed in range(250):
        test = made(replace(BARE, healthy_scale=1.0, duration_s=2.0), seed)
        levels += [
            x.rms_mps2 for x in test.truth.lines if (x.part, x.order) == ("tire_wheel", 1.0) and not x.fault
        ]
    wanted = HEALTHY[("tire_wheel", 1.0)]
    share = len(levels) / 250
    assert share == pytest.approx(wanted.probability, abs=3 * np.sqrt(0.9 * 0.1 / 250))
    # Standard error of a normal median: 1.253 sd / sqrt(n) (any statistics handbook).
    allowed = 3 * 1.253 * 0.7 / np.sqrt(len(levels))
    assert np.log(np.median(levels)) == pytest.approx(np.log(wanted.median_mps2), abs=allowed)


def test_a_fault_changes_neither_the_drive_nor_any_other_line() -> None:
    healthy, faulty = (
        made(replace(BARE, healthy_scale=1.0, body=Body(), faults=faults), 5)
        for faults in ((), (Fault("driveshaft", 1.0, 0.3),))
    )
    assert np.array_equal(healthy.truth.speed_mps, faulty.truth.speed_mps)
    others = {(x.part, x.order): x.rms_mps2 for x in healthy.truth.lines if x.part != "driveshaft"}
    assert others == {(x.part, x.order): x.rms_mps2 for x in faulty.truth.lines if x.part != "driveshaft"}


def test_in_the_direct_gear_engine_and_driveshaft_cannot_be_told_apart() -> None:
    fault = (Fault("driveshaft", 1.0, 0.2),)
    direct = made(replace(BARE, drive=replace(STEADY, gears=((0.0, 3),)), faults=fault))
    overdrive = made(replace(BARE, faults=fault))
    assert truth_group(direct) == (("driveshaft", 1.0), ("engine", 1.0))
    assert truth_group(overdrive) == (("driveshaft", 1.0),)
    assert truth_group(made(BARE)) == ()


def test_a_gear_change_moves_the_engine_and_leaves_the_road_speed() -> None:
    shift = replace(BARE, drive=replace(STEADY, gears=((0.0, 3), (20.0, 4))))
    truth = made(shift).truth
    ratio = truth.engine_hz / truth.wheel_hz / 3.73
    sliding = (np.abs(ratio - 1.0) > 1e-9) & (np.abs(ratio - 0.7) > 1e-9)
    assert ratio[0] == pytest.approx(1.0) and ratio[-1] == pytest.approx(0.7)
    assert sliding.sum() / 200.0 == pytest.approx(0.6, abs=0.02)
    assert np.ptp(truth.speed_mps) < 1e-9


def test_the_converter_slips_while_open_and_not_once_locked() -> None:
    drive = replace(STEADY, gears=((0.0, 3), (20.0, 4)))
    truth = made(replace(BARE, drive=drive, converter=Converter(3, 0.06))).truth
    slip = truth.engine_hz / (truth.wheel_hz * 3.73) - 1.0
    early = slip[truth.times_s < 19.0]
    assert early.min() > 0.0 and early.max() <= 0.06
    assert slip[-1] == pytest.approx(0.7 - 1.0, abs=1e-12)


def test_coasting_in_neutral_the_engine_falls_to_idle_while_the_shaft_turns_on() -> None:
    truth = made(replace(BARE, drive=Drive("coast", (30.0, 15.0)))).truth
    assert np.all(truth.gear == 0)
    # 600 to 800 rpm: common practice, no source.
    assert 10.0 < truth.engine_hz.min() <= truth.engine_hz.max() < 13.4
    assert truth.rates_hz["driveshaft"][0] == pytest.approx(30.0 / CIRCUMFERENCE_M * 3.73, rel=0.02)


def test_stop_and_go_stands_still_between_and_the_engine_idles_on() -> None:
    truth = made(
        replace(BARE, drive=Drive("stop_and_go", (12.0, 16.0)), healthy_scale=1.0, body=Body())
    ).truth
    standing = truth.speed_mps < 0.01
    assert standing[(truth.times_s > 17.2) & (truth.times_s < 19.8)].all()
    assert truth.engine_hz.min() > 10.0
    assert len(np.unique(truth.gear)) > 1


def test_an_automatic_keeps_a_plausible_engine_speed_over_many_vehicles() -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        vehicle = random_vehicle(rng, "rwd")
        scenario = replace(BARE, drive=Drive("sweep", (10.0, 36.0, 15.0)), duration_s=60.0)
        truth = road_test(vehicle, scenario, rng).truth
        assert truth.engine_hz.min() > 10.0 and truth.engine_hz.max() < 5000 / 60, seed
        assert np.count_nonzero(np.diff(truth.gear)) >= 2, seed


def test_a_fault_in_a_part_that_is_not_there_is_refused_by_name() -> None:
    with pytest.raises(VehicleError, match="test truck has no motor; it has tire_wheel, driveshaft, engine"):
        made(replace(BARE, faults=(Fault("motor", 1.0, 0.1),)))
    with pytest.raises(VehicleError, match="gear 9 does not exist"):
        made(replace(BARE, drive=replace(STEADY, gears=((0.0, 9),))))
