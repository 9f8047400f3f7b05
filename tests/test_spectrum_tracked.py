"""The Vold-Kalman filter against published weights, its own bandwidth rule, and crossing orders of known
envelopes."""

import numpy as np
import pytest
from numpy.typing import NDArray

from vibeorder.diagnosis.why_track import _noise_width
from vibeorder.errors import SpeedError, VibeorderError
from vibeorder.spectrum import narrowest_bandwidth_hz, track_orders, weight_for_bandwidth

FloatArray = NDArray[np.float64]
RATE_HZ = 200.0


@pytest.mark.parametrize(("relative", "poles", "weight"), [
    # Tuma 2005, as computed from its formula in our list of check values.
    (0.0025, 1, 81.9452), (0.0025, 2, 10433.6), (0.0025, 3, 1.32845e6),
    (0.005, 1, 40.9729), (0.005, 2, 2608.44), (0.005, 3, 166060),
    (0.01, 1, 20.4871), (0.01, 2, 652.151), (0.01, 3, 20759.5),
    (0.000125, 1, 1638.9), (0.000125, 2, 4.17342e6), (0.000125, 3, 1.06275e10),
])  # fmt: skip
def test_weight_follows_the_bandwidth_rule(relative: float, poles: int, weight: float) -> None:
    assert weight_for_bandwidth(relative * RATE_HZ, RATE_HZ, poles) == pytest.approx(weight, rel=2e-5)


@pytest.mark.parametrize("poles", [1, 2, 3])
def test_gain_is_three_decibels_down_at_the_edge_of_the_band(poles: int) -> None:
    time_s = np.arange(6000) / RATE_HZ
    # Off by half the bandwidth and by the whole: decibels as listed with the rule.
    for off_hz, listed_db in ((1.0, -3.0103), (2.0, {1: -8.486, 2: -17.644, 3: -28.784}[poles])):
        tone = np.cos(2 * np.pi * (30.0 + off_hz) * time_s)[None]
        tracked = track_orders(tone, RATE_HZ, 30.0 * time_s, 2.0, poles=poles)
        gain_db = 20 * np.log10(np.median(tracked.amplitude[0, 2000:-2000]))
        assert gain_db == pytest.approx(listed_db, abs=0.005)


def test_small_bandwidths_follow_the_small_angle_form() -> None:
    # Two poles: 0.64359 / (pi b / fs)^2.
    assert weight_for_bandwidth(0.2, RATE_HZ, 2) == pytest.approx(0.64359 / (np.pi * 0.001) ** 2, rel=1e-4)


def test_envelope_of_a_run_up_is_followed_through_a_resonance() -> None:
    time_s = np.arange(8000) / RATE_HZ
    turns = 8.0 * time_s + 0.1 * time_s**2
    speed = 8.0 + 0.2 * time_s
    envelope = 0.2 / np.sqrt((1 - (speed / 12.0) ** 2) ** 2 + (0.1 * speed / 12.0) ** 2)
    samples = np.stack([envelope * np.cos(2 * np.pi * turns + 0.6), 0 * turns, 0 * turns + 9.8])
    tracked = track_orders(samples, RATE_HZ, turns, 1.0)
    inside = slice(300, -300)
    assert np.abs(tracked.amplitude[0] / envelope - 1)[inside].max() < 0.02
    assert np.abs(np.angle(tracked.envelope[0, 0]) - 0.6)[inside].max() < 0.02


def crossing() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Two parts whose orders cross in the middle of 40 s, their envelopes, and the samples."""
    time_s = np.arange(8000) / RATE_HZ
    turns = np.stack([20.0 * time_s, 10.0 * time_s + 0.25 * time_s**2])
    envelopes = np.stack([0.3 + 0.1 * np.cos(2 * np.pi * time_s / 40), 0.15 + 0.005 * time_s])
    samples = np.sum(envelopes * np.cos(2 * np.pi * turns + np.array([[0.4], [-1.1]])), axis=0)
    return time_s, turns, envelopes, samples[None]


def test_crossing_orders_are_told_apart_where_a_sliding_transform_mixes_them() -> None:
    _, turns, envelopes, samples = crossing()
    tracked = track_orders(samples, RATE_HZ, turns, 0.4)
    middle = slice(3600, 4400)
    errors = np.abs(tracked.amplitude - envelopes)[:, middle].max(axis=1)
    # The plain way: a Hann window as wide as the filter's memory, slid along the demodulated samples.
    from scipy.signal import fftconvolve, get_window

    window = get_window("hann", 500)
    baseband = samples[0] * np.exp(-2j * np.pi * turns)
    plain = 2 * np.abs([fftconvolve(row, window / window.sum(), mode="same") for row in baseband])
    plain_errors = np.abs(plain - envelopes)[:, middle].max(axis=1)
    assert (errors < 0.02).all()
    assert (plain_errors > 5 * errors).all()
    # And one at a time the filter itself mixes them as well: it is the coupling that separates.
    alone = track_orders(samples, RATE_HZ, turns[0], 0.4)
    assert np.abs(alone.amplitude[0] - envelopes[0])[middle].max() > 5 * errors[0]


def test_what_is_left_is_what_the_orders_do_not_explain() -> None:
    _, turns, _, samples = crossing()
    noise = 0.1 * np.random.default_rng(1).normal(size=samples.shape)
    tracked = track_orders(samples + noise + 9.8, RATE_HZ, turns, 0.4)
    assert np.std(tracked.rest - 9.8 - noise) < 0.02


def test_stated_noise_error_is_what_noise_does() -> None:
    time_s = np.arange(40_000) / RATE_HZ
    samples = 0.5 * np.cos(2 * np.pi * 20 * time_s) + 0.3 * np.random.default_rng(2).normal(size=(3, 40_000))
    tracked = track_orders(samples, RATE_HZ, 20 * time_s, 2.0)
    scatter = np.std(tracked.envelope[0].real, axis=1)
    # Density 0.3^2 / rate on either side, twice over in peak amplitude, within the filter's noise bandwidth.
    # White noise through the two-pole filter is independent some 400 times in 200 s: scatter known to 5%.
    assert scatter == pytest.approx(np.sqrt(2.0 * 0.3**2 / RATE_HZ * _noise_width(2.0)), rel=0.15)


def test_envelope_runs_on_over_a_gap() -> None:
    time_s = np.arange(6000) / RATE_HZ
    samples = np.cos(2 * np.pi * 20 * time_s + 0.3)[None]
    valid = np.ones(6000, dtype=np.bool_)
    valid[3000:3060] = False
    tracked = track_orders(np.where(valid, samples, 1e4), RATE_HZ, 20 * time_s, 1.0, valid=valid)
    assert np.abs(tracked.envelope[0, 0] - np.exp(0.3j))[300:-300].max() < 0.01
    assert (tracked.rest[:, ~valid] == 0).all()


@pytest.mark.parametrize("poles", [1, 2, 3])
def test_the_narrowest_band_still_solves_and_a_narrower_one_is_refused(poles: int) -> None:
    narrowest = narrowest_bandwidth_hz(RATE_HZ, poles)
    time_s = np.arange(6000) / RATE_HZ
    tone = np.cos(2 * np.pi * 20.0 * time_s)[None]
    tracked = track_orders(tone, RATE_HZ, 20 * time_s, 1.001 * narrowest, poles=poles)
    assert np.median(tracked.amplitude) == pytest.approx(1.0, abs=0.02)
    with pytest.raises(VibeorderError, match="cannot be solved"):
        track_orders(tone, RATE_HZ, 20 * time_s, 0.99 * narrowest, poles=poles)


def test_orders_that_never_part_are_refused() -> None:
    time_s = np.arange(2000) / RATE_HZ
    # Engine and driveshaft in the 1.00 gear with the converter locked.
    with pytest.raises(VibeorderError, match="no filter separates them"):
        track_orders(np.zeros((1, 2000)), RATE_HZ, np.stack([30 * time_s, 30 * time_s + 0.2]), 1.0)


@pytest.mark.parametrize(("poles", "bandwidth_hz"), [(4, 1.0), (2, 150.0), (2, 0.0), (2, float("nan"))])
def test_settings_that_cannot_be_are_refused_in_words(poles: int, bandwidth_hz: float) -> None:
    with pytest.raises(VibeorderError, match=r"poles|bandwidth"):
        track_orders(np.zeros((1, 2000)), RATE_HZ, np.arange(2000) / 10.0, bandwidth_hz, poles=poles)


def test_phases_that_do_not_fit_the_samples_are_refused() -> None:
    with pytest.raises(VibeorderError, match="fit"):
        track_orders(np.zeros((1, 2000)), RATE_HZ, np.arange(1999) / 10.0, 1.0)
    with pytest.raises(SpeedError, match="no numbers"):
        track_orders(np.zeros((1, 2000)), RATE_HZ, np.full(2000, np.nan), 1.0)
