"""No speed given: what is followed, what is read along it, what is said of it."""

from dataclasses import replace

import numpy as np
import pytest
from diagnosis_examples import FEW_GEARS, TRUCK, key, made, without_gps
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.along import MEMORY_S, Tracked, likelihoods
from vibeorder.diagnosis.alternatives import alternatives, speed_band
from vibeorder.diagnosis.analyse import Piece, Setting
from vibeorder.diagnosis.candidates import Candidate, candidates_of
from vibeorder.diagnosis.colour import colour_of
from vibeorder.diagnosis.evidence import AMPLITUDES, OVERLAP_CORRELATION, RESPONSE_LENGTH
from vibeorder.diagnosis.gearing import RATE_MEMORY, _filtered, gear_courses
from vibeorder.diagnosis.infer import infer_pieces
from vibeorder.diagnosis.measured import wheel_rate_hz
from vibeorder.diagnosis.pursuit import Pursued, Pursuit
from vibeorder.diagnosis.renaming import renamed
from vibeorder.diagnosis.ridge import CELL, line_table
from vibeorder.diagnosis.shifting import shifting
from vibeorder.diagnosis.signal import Signal
from vibeorder.simulate import Drive, RoadTest
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import Vehicle, parse_vehicle

FloatArray = NDArray[np.float64]

RATE_HZ = 200.0
SWEEP = Drive("sweep", (14.0, 29.0, 20.0), ((0.0, 2),))
PLAIN = parse_vehicle(
    {
        "vehicle": {"name": "invented saloon", "layout": "rwd"},
        "tire": {"circumference_mm": 2000},
        "axle": {"ratio": 3.55},
        "transmission": {"gears": [3.45, 2.02, 1.41, 1.0, 0.74]},
        "engine": {"cylinders": 4},
    }
)


# ---- noise


def noisy(mixing: FloatArray, seconds: float = 40.0, seed: int = 3) -> Signal:
    """White noise of unit variance on as many sources as `mixing` has columns, seen by its rows."""
    rng = np.random.default_rng(seed)
    white = rng.normal(size=(mixing.shape[1], int(seconds * RATE_HZ)))
    samples = (mixing @ white).astype(np.float32)
    return Signal(samples, np.ones(samples.shape[1], bool), RATE_HZ, False)


def test_white_noise_has_the_density_that_its_variance_makes() -> None:
    # Parseval: a bin of white noise of variance s^2 has power s^2 for a window of energy 1.
    colour = colour_of(noisy(2.0 * np.eye(3)))
    inside = (colour.frequency_hz > 5.0) & (colour.frequency_hz < 95.0)
    assert colour.density[inside] == pytest.approx(4.0, rel=0.2)
    assert float(colour.density[inside].mean()) == pytest.approx(4.0, rel=0.05)
    assert colour.level == pytest.approx(1.0, abs=0.3)


def test_noise_that_the_channels_share_is_white_once_whitened() -> None:
    mixing = np.array([[2.0, 0.0, 0.0], [1.5, 0.4, 0.0], [0.3, 0.2, 0.5]])
    colour = colour_of(noisy(mixing))
    whitener = colour.whitener(np.array([20.0, 50.0, 80.0]))
    for one in whitener:
        assert one @ (mixing @ mixing.T) @ one.T == pytest.approx(np.eye(3), abs=0.3)


def test_a_strong_line_does_not_raise_the_noise_under_it() -> None:
    quiet = noisy(np.eye(3))
    times = np.arange(quiet.samples.shape[1]) / RATE_HZ
    loud = replace(
        quiet, samples=quiet.samples + np.float32(1.0) * np.cos(2 * np.pi * 31.0 * times).astype(np.float32)
    )
    near = np.abs(colour_of(quiet).frequency_hz - 31.0) < 1.0
    ratio = colour_of(loud).density[near] / colour_of(quiet).density[near]
    assert ratio.max() < 1.4


# ---- following


def shaking(frequency_hz: FloatArray, seed: int = 5) -> Signal:
    """A line of that frequency, 0.5 m/s^2 peak, in white noise of 0.5 m/s^2 rms on three axes."""
    rng = np.random.default_rng(seed)
    turns = np.cumsum(frequency_hz) / RATE_HZ
    samples = 0.5 * rng.normal(size=(3, turns.size))
    samples += np.array([[0.5], [0.1], [0.3]]) * np.cos(2.0 * np.pi * turns)
    return Signal(samples.astype(np.float32), np.ones(turns.size, bool), RATE_HZ, False)


def followed(
    signal: Signal, vehicle: Vehicle, part: str, order: float, between_hz: tuple[float, float]
) -> tuple[Pursuit, Pursued]:
    """The best course on which that source is the strongest line, with the wheel's rate within bounds.

    The bounds keep out the line's folded twins, which another name's speed would mean.
    """
    candidates = candidates_of(vehicle)
    anchor = next(i for i, c in enumerate(candidates) if c.key == (part, order))
    rates = np.exp(np.arange(np.log(0.85 * between_hz[0]), np.log(1.15 * between_hz[1]), CELL))
    per_wheel = Setting(vehicle, None, False).engine_per_wheel() if part == "engine" else None
    prior = np.zeros((1, rates.size, 0 if per_wheel is None else per_wheel.size))
    pursuit = Pursuit(line_table(signal, colour_of(signal)), candidates, rates, per_wheel, prior)
    return pursuit, max(pursuit.follow(anchor), key=lambda p: p.total)


def wheel_at_frames(pursuit: Pursuit, truth_hz: FloatArray) -> FloatArray:
    """The wheel's rate that a second-order line of PLAIN's driveshaft means, at the frames."""
    times = np.arange(truth_hz.size) / RATE_HZ
    return np.interp(pursuit.table.mid_s, times, truth_hz) / 7.1


@pytest.mark.parametrize("low_hz", [18.0, 34.0, 55.0])
def test_a_sweeping_line_is_followed_to_a_cell(low_hz: float) -> None:
    truth = low_hz * np.exp(0.5 * np.sin(np.linspace(0.0, 2.5, int(30 * RATE_HZ))))
    bounds = (float(truth.min()) / 7.1, float(truth.max()) / 7.1)
    pursuit, found = followed(shaking(truth), PLAIN, "driveshaft", 2.0, bounds)
    off = np.abs(np.log(pursuit.rates_hz[found.cell] / wheel_at_frames(pursuit, truth)))
    assert np.median(off) < CELL
    assert off.max() < 0.02


def test_a_line_that_crosses_half_the_sample_rate_is_followed_through_it() -> None:
    # Whether it crossed or turned back there the line itself does not tell: both must be weighed.
    truth = np.linspace(80.0, 130.0, int(40 * RATE_HZ))
    pursuit, found = followed(shaking(truth), PLAIN, "driveshaft", 2.0, (80.0 / 7.1, 130.0 / 7.1))
    expected = wheel_at_frames(pursuit, truth)
    weighed = [found, *renamed(pursuit, [found])]
    off = [
        np.abs(np.log(pursuit.rates_hz[p.cell] / expected)).max() for p in weighed if p.anchor == found.anchor
    ]
    assert min(off) < 0.02


def test_every_name_that_explains_a_shift_is_weighed() -> None:
    # First order in gears 3 and 4 is half of second order in them: another speed, the same line.
    times = np.arange(int(40 * RATE_HZ)) / RATE_HZ
    wheel = np.linspace(6.0, 8.0, times.size)
    truth = wheel * 2.0 * 3.55 * np.where(times < 21.0, 1.41, 1.0)
    pursuit, found = followed(shaking(truth), PLAIN, "engine", 2.0, (6.0, 16.0))
    names = {
        (pursuit.candidates[p.anchor].key, tuple(np.unique(p.gear).tolist()))
        for p in renamed(pursuit, [found])
    }
    assert (("engine", 2.0), (2, 3)) in names
    assert (("engine", 1.0), (2, 3)) in names
    assert all(part == "engine" for (part, _), _ in names)


def test_an_engine_line_is_followed_across_a_shift_and_both_gears_are_told() -> None:
    times = np.arange(int(40 * RATE_HZ)) / RATE_HZ
    wheel = np.linspace(9.0, 13.0, times.size)
    truth = wheel * 3.55 * np.where(times < 21.0, 1.41, 1.0)
    pursuit, found = followed(shaking(truth), PLAIN, "engine", 1.0, (9.0, 13.0))
    away = np.abs(pursuit.table.mid_s - 21.0) > 2.0
    expected = np.interp(pursuit.table.mid_s, times, wheel)
    assert pursuit.rates_hz[found.cell][away] == pytest.approx(expected[away], rel=0.01)
    assert set(found.gear[pursuit.table.mid_s < 19.0].tolist()) == {2}
    assert set(found.gear[pursuit.table.mid_s > 23.0].tolist()) == {3}


# ---- reading


def tracked(seed: int, blocks: int = 9, channels: int = 3) -> tuple[Tracked, FloatArray]:
    """A line's blocks by chance, and their middles."""
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(channels, blocks)) + 1j * rng.normal(size=(channels, blocks))
    gain = rng.uniform(1.0, 9.0, (channels, blocks))
    frequency = np.asarray(np.linspace(20.0, 29.0, blocks), float)
    shared = rng.uniform(0.1, 1.0, blocks)
    line = Tracked(y, gain, np.asarray(y / 9.0), np.full(y.shape, 0.1), frequency, np.ones(blocks), shared)
    return line, np.asarray(2.0 * np.arange(blocks), float)


def gaussian_log_ratio(y: NDArray[np.complexfloating], covariance: FloatArray, noise: FloatArray) -> float:
    """ln of the density of a circular complex Gaussian over that of its noise alone (numpy's determinant)."""

    def log_density(c: FloatArray) -> float:
        return float(-np.linalg.slogdet(c)[1] - (y.conj() @ np.linalg.solve(c, y)).real)

    return log_density(covariance) - log_density(noise)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_a_lines_likelihood_is_that_of_the_complex_gaussian_it_states(seed: int) -> None:
    line, mid_s = tracked(seed)
    found = likelihoods([(line, np.zeros(mid_s.size))], mid_s)[0].log_likelihood
    apart = np.abs(mid_s[:, None] - mid_s)
    log_f = np.log(line.frequency_hz)
    kernel = np.exp(-0.5 * ((log_f[:, None] - log_f) / RESPONSE_LENGTH) ** 2 - apart / MEMORY_S)
    common = np.outer(line.shared, line.shared)
    noise = np.eye(mid_s.size) + OVERLAP_CORRELATION * (apart == 2.0) * common
    for i in (0, 25, 50, 66):
        signal = [AMPLITUDES[i] ** 2 * np.outer(g, g) * kernel for g in line.gain]
        expected = sum(gaussian_log_ratio(y, noise + s, noise) for y, s in zip(line.y, signal, strict=True))
        assert found[i] == pytest.approx(expected, abs=1e-6 + 1e-9 * abs(expected))


def test_blocks_in_different_gears_have_no_phase_in_common() -> None:
    line, mid_s = tracked(4)
    parts = (mid_s > mid_s.mean()).astype(float)
    whole = likelihoods([(line, parts)], mid_s)[0].log_likelihood
    joined = likelihoods([(line, np.zeros(mid_s.size))], mid_s)[0].log_likelihood
    assert not np.allclose(whole, joined)


def test_the_filter_sums_to_the_likelihood_of_the_whole_gaussian() -> None:
    # Kalman 1960: the innovations of a linear Gaussian model multiply to its joint density.
    line, mid_s = tracked(8)
    keep = np.exp(-np.diff(mid_s) / MEMORY_S - np.abs(np.diff(np.log(line.frequency_hz))) / RATE_MEMORY)
    strength = np.array([0.05, 0.3])
    found = _filtered(line.y[None, None], line.gain[None, None], keep[None, None], strength)[0, 0, -1, 1:]
    kernel = np.eye(mid_s.size)
    for i in range(mid_s.size):
        for j in range(i):
            kernel[i, j] = kernel[j, i] = np.prod(keep[j:i])
    noise = np.eye(mid_s.size)
    for a, value in zip(strength, found, strict=True):
        expected = sum(
            gaussian_log_ratio(y, noise + a**2 * np.outer(g, g) * kernel, noise)
            for y, g in zip(line.y, line.gain, strict=True)
        )
        assert value == pytest.approx(expected, abs=1e-6)


STEADY_MINUTE = shifting(np.full(60, 10.0), 1.0)


def test_the_gear_in_which_a_line_stands_is_found_and_when_it_changed() -> None:
    rng = np.random.default_rng(2)
    mid_s = np.asarray(2.0 + 2.0 * np.arange(30), float)
    candidate = next(c for c in candidates_of(PLAIN) if c.key == ("engine", 1.0))

    def line(stands: NDArray[np.bool_]) -> Tracked:
        y = (rng.normal(size=(3, 30)) + 1j * rng.normal(size=(3, 30))) / np.sqrt(2.0) + 4.0 * stands
        gain = np.full(y.shape, 200.0)
        return Tracked(y, gain, y, np.ones(y.shape), np.full(30, 30.0), np.ones(30), np.ones(30))

    gears = [line(mid_s < 0), line(mid_s < 25.0), line(mid_s > 25.0)]
    frame_s = np.asarray(1.5 + np.arange(60.0), float)
    prior = np.full((60, 3), np.log(1 / 3) / 25.0)
    course, _ = gear_courses([gears], [candidate.healthy], mid_s, prior, frame_s, STEADY_MINUTE)[0]
    assert course[0] == 1
    assert course[-1] == 2
    assert frame_s[np.flatnonzero(np.diff(course))[0]] == pytest.approx(25.0, abs=4.0)


def test_a_gear_taken_for_a_while_and_given_up_again_is_found() -> None:
    rng = np.random.default_rng(6)
    mid_s = np.asarray(2.0 + 2.0 * np.arange(36), float)
    candidate = next(c for c in candidates_of(PLAIN) if c.key == ("engine", 2.0))
    between = (mid_s > 24.0) & (mid_s < 50.0)

    def line(stands: NDArray[np.bool_]) -> Tracked:
        y = (rng.normal(size=(3, 36)) + 1j * rng.normal(size=(3, 36))) / np.sqrt(2.0) + 4.0 * stands
        return Tracked(
            y, np.full(y.shape, 200.0), y, np.ones(y.shape), np.full(36, 30.0), np.ones(36), np.ones(36)
        )

    frame_s = np.asarray(1.5 + np.arange(72.0), float)
    prior = np.full((72, 2), np.log(0.5) / 25.0)
    steady = shifting(np.full(72, 10.0), 1.0)
    courses = gear_courses(
        [[line(~between), line(between)]], [candidate.healthy], mid_s, prior, frame_s, steady
    )
    wanted = ((frame_s > 24.0) & (frame_s < 50.0)).astype(int)
    assert max(float(np.mean(course == wanted)) for course, _ in courses) > 0.93


# ---- the whole


def pieces_of(test: RoadTest, speed: str | None = None, gear: int | None = None) -> list[Piece]:
    from vibeorder.diagnosis.prepare import signal_of

    recording = without_gps(test)
    told = None if speed is None else parse_speed_given(speed)
    return infer_pieces(
        signal_of(recording), candidates_of(test.vehicle), told, Setting(test.vehicle, gear, False)
    )


def named(candidates: tuple[Candidate, ...], scores: FloatArray) -> tuple[str, float]:
    return candidates[int(np.argmax(scores[:-1]))].key


def test_a_shaft_that_sweeps_is_named_and_its_speed_told_within_two_percent() -> None:
    test = made(
        TRUCK, Drive("sweep", (14.0, 31.0, 18.0), ((0.0, 6),)), "driveshaft", rate_hz=200.0, duration_s=60.0
    )
    piece = pieces_of(test)[0]
    judged = piece.judgement
    assert named(judged.candidates, judged.log_class) == ("driveshaft", 1.0)
    best = judged.hypotheses[0]
    truth = np.interp(best.scan.clock.mid_s, test.truth.times_s, test.truth.wheel_hz)
    found = wheel_rate_hz(best)
    assert found[1:-1] == pytest.approx(truth[1:-1], rel=0.02)
    assert found == pytest.approx(
        truth, rel=0.03
    )  # a frame reaches two seconds into the drive: its ends are drawn on


def test_a_range_of_speeds_that_was_told_keeps_the_speed_inside_it() -> None:
    test = made(FEW_GEARS, SWEEP, "driveshaft", rate_hz=200.0)
    circumference = FEW_GEARS.tire.circumference_m
    for piece in pieces_of(test, "50-105 km/h"):
        speed = wheel_rate_hz(piece.judgement.hypotheses[0]) * circumference
        assert speed.min() > 0.9 * 50.0 / 3.6
        assert speed.max() < 1.1 * 105.0 / 3.6


def test_a_gear_that_was_told_is_the_only_one_weighed() -> None:
    test = made(FEW_GEARS, SWEEP, "engine", rate_hz=200.0)
    for hypothesis in pieces_of(test, gear=2)[0].judgement.hypotheses:
        assert hypothesis.gears is not None
        assert set(hypothesis.gears.gear.tolist()) == {2}


def test_the_same_recording_gives_the_same_answer() -> None:
    test = made(FEW_GEARS, SWEEP, "driveshaft", rate_hz=200.0)
    first, second = (pieces_of(test)[0].judgement.log_class for _ in range(2))
    assert first == pytest.approx(second)


def test_a_steady_line_is_told_with_every_speed_that_it_may_mean() -> None:
    test = made(FEW_GEARS, Drive("steady", (27.0,), ((0.0, 2),)), "driveshaft", 2.0, rate_hz=200.0)
    pieces = pieces_of(test)
    judged = pieces[0].judgement
    flat = np.zeros(judged.log_class.size)
    said = alternatives(pieces, flat, FEW_GEARS.tire.circumference_m)
    assert len(said) == 1
    assert "driveshaft" in said[0]
    assert "tire or wheel" in said[0]
    assert " mph" in said[0]
    sure = np.where(np.arange(flat.size) == 0, 0.0, -50.0)
    assert alternatives(pieces, sure, FEW_GEARS.tire.circumference_m) == ()


def test_the_band_of_speeds_holds_the_likeliest_and_widens_with_doubt() -> None:
    piece = pieces_of(made(FEW_GEARS, Drive("steady", (27.0,), ((0.0, 2),)), "driveshaft", rate_hz=200.0))[0]
    circumference = FEW_GEARS.tire.circumference_m
    best = wheel_rate_hz(piece.judgement.hypotheses[0]) * circumference
    low, high = speed_band(piece, 1.0, circumference, 0.01)
    assert (low < best).all()
    assert (high > best).all()
    wide_low, wide_high = speed_band(piece, 1e6, circumference, 0.01)
    assert (wide_high - wide_low).mean() >= (high - low).mean()


def test_a_recording_of_no_more_than_seven_seconds_is_answered() -> None:
    test = made(FEW_GEARS, SWEEP, "driveshaft", rate_hz=100.0, duration_s=7.0)
    result = diagnose(without_gps(test), FEW_GEARS)
    assert result.speed.source == "inferred"
    assert sum(s.probability for s in result.suspects) + result.nothing_found_probability == pytest.approx(
        1.0
    )
    assert key(result.suspects[0]) in [c.key for c in candidates_of(FEW_GEARS)]


def test_a_coast_out_of_gear_is_read_without_the_engine_too() -> None:
    # common practice, no source: out of gear the engine idles, whatever the wheels do
    test = made(TRUCK, Drive("coast", (29.0, 15.0), ()), "tire_wheel", rate_hz=200.0, duration_s=60.0)
    piece = pieces_of(test)[0]
    judged = piece.judgement
    assert named(judged.candidates, judged.log_class) == ("tire_wheel", 1.0)
    assert any(h.gears is None for h in judged.hypotheses)
    held = pieces_of(test, gear=6)[0].judgement
    assert all(h.gears is not None for h in held.hypotheses)
