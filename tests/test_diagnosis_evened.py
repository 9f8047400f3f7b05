"""Sound judged by its own noise: what the evening does to noise, lines, gaps, and what comes of it in a diagnosis."""

import weakref
from dataclasses import replace

import numpy as np
import pytest
from diagnosis_examples import PICKUP
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt, welch

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.candidates import candidates_of, in_sound, overtones
from vibeorder.diagnosis.evened import HEARD_DENSITY, LOUDEST_RMS, evened
from vibeorder.diagnosis.hearing import READ_AT_HZ
from vibeorder.diagnosis.prepare import judged_signal
from vibeorder.recording.model import Quality, Recording
from vibeorder.recording.store import SampleStore
from vibeorder.speed.given import parse_speed_given

RATE_HZ = 2000.0
MPS = 60 * 0.44704

FloatArray = NDArray[np.float64]


def noise_of(seconds: float, seed: int = 1) -> FloatArray:
    return np.random.default_rng(seed).standard_normal(int(seconds * RATE_HZ))


def even(samples: FloatArray, valid: NDArray[np.bool_] | None = None) -> FloatArray:
    valid = np.ones(samples.size, bool) if valid is None else valid
    return np.asarray(evened(np.asarray(samples[None], np.float32), valid, RATE_HZ)[0], float)


def rms_of_line(samples: FloatArray, hz: float) -> float:
    t = np.arange(samples.size) / RATE_HZ
    window = np.sin(np.pi * (np.arange(samples.size) + 0.5) / samples.size) ** 2
    return float(
        np.sqrt(2.0) * np.abs(np.mean(samples * window * np.exp(-2j * np.pi * hz * t))) / window.mean()
    )


def recorded(samples: FloatArray) -> Recording:
    return Recording(
        samples=np.asarray(samples[None], np.float32),
        rate_hz=RATE_HZ,
        unit="relative",
        kind="audio",
        channels=("microphone",),
        valid=np.ones(samples.size, bool),
        quality=Quality(RATE_HZ, RATE_HZ),
        source="made here",
    )


def test_noise_of_any_colour_comes_out_at_one_density() -> None:
    """Against scipy.signal.welch, an implementation of its own."""
    coloured = sosfilt(butter(2, 80.0, "highpass", fs=RATE_HZ, output="sos"), np.cumsum(noise_of(60.0)))
    frequency, density = welch(even(coloured), RATE_HZ, nperseg=4000)
    band = (frequency > 15.0) & (frequency < 700.0)
    level = np.sqrt(density[band])
    assert np.mean(level) == pytest.approx(HEARD_DENSITY, rel=0.1)
    octaves = [
        level[(frequency[band] >= f) & (frequency[band] < 2 * f)].mean() for f in (20, 40, 80, 160, 320)
    ]
    assert max(octaves) / min(octaves) < 1.25


def test_a_tone_that_an_ear_just_hears_is_as_strong_as_what_is_just_complained_of() -> None:
    """Critical ratio of 18 dB below 500 Hz: tone power over noise density (Hawkins and Stevens 1950, from memory)."""
    noise = noise_of(60.0)
    density = 2.0 / RATE_HZ
    tone_rms = np.sqrt(density * 10.0**1.8)
    t = np.arange(noise.size) / RATE_HZ
    heard = even(noise + np.sqrt(2.0) * tone_rms * np.cos(2 * np.pi * 120.0 * t))
    assert rms_of_line(heard, 120.0) == pytest.approx(0.08, rel=0.1)


@settings(max_examples=12, deadline=None)
@given(corner=st.floats(20.0, 150.0), gain=st.floats(1e-4, 1e3), hz=st.floats(12.0, 300.0))
def test_a_line_keeps_its_strength_whatever_the_microphone_does_to_it_and_the_noise(
    corner: float, gain: float, hz: float
) -> None:
    t = np.arange(int(40 * RATE_HZ)) / RATE_HZ
    plain = noise_of(40.0) + np.cos(2 * np.pi * hz * t)
    through = gain * sosfilt(butter(2, corner, "highpass", fs=RATE_HZ, output="sos"), plain)
    assert rms_of_line(even(through), hz) == pytest.approx(rms_of_line(even(plain), hz), rel=0.15)


def test_gaps_stay_silent_and_the_length_stays() -> None:
    valid = np.ones(int(30 * RATE_HZ), bool)
    valid[20_000:26_000] = False
    out = even(np.where(valid, noise_of(30.0), 0.0), valid)
    assert out.size == valid.size
    assert not out[~valid].any()


@pytest.mark.parametrize("seconds", [0.01, 0.2, 1.0, 6.0])
def test_short_and_silent_sounds_come_through(seconds: float) -> None:
    for samples in (noise_of(seconds), np.zeros(int(seconds * RATE_HZ))):
        out = even(samples)
        assert out.size == samples.size
        assert np.isfinite(out).all()


def test_blocks_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    samples = noise_of(60.0)
    whole = even(samples)
    spans = __import__("vibeorder.recording.store", fromlist=["spans"]).spans
    monkeypatch.setattr("vibeorder.diagnosis.evened.spans", lambda total: spans(total, 7_001))
    assert np.allclose(even(samples), whole, atol=1e-5)


def test_a_tone_without_noise_is_loud_and_no_more() -> None:
    t = np.arange(int(20 * RATE_HZ)) / RATE_HZ
    assert np.sqrt(np.mean(even(np.cos(2 * np.pi * 40.0 * t)) ** 2)) <= 1.01 * LOUDEST_RMS


@pytest.mark.parametrize("kind", ["noise", "a tone without noise"])
def test_the_evened_sound_is_held_once(monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    """Arrays of its length that are stored and still there when the last one is made: as it came, and evened."""
    t = np.arange(int(20 * READ_AT_HZ)) / READ_AT_HZ
    samples = np.cos(2 * np.pi * 40.0 * t) if kind != "noise" else noise_of(20.0)[: t.size]
    made: list[weakref.ref[NDArray[np.float32]]] = []
    held: list[int] = []
    finish = SampleStore.finish

    def counted(self: SampleStore) -> NDArray[np.float32]:
        out = finish(self)
        made.append(weakref.ref(out))
        held.append(sum(one() is not None for one in made))
        return out

    monkeypatch.setattr(SampleStore, "finish", counted)
    judged = judged_signal(replace(recorded(samples), rate_hz=READ_AT_HZ), PICKUP)
    assert judged.samples.shape == (1, t.size)
    assert max(held) == 2 and len(made) == (2 if kind == "noise" else 3)


def test_the_multiples_of_firing_are_read_and_never_suspected() -> None:
    beside = overtones(in_sound(candidates_of(PICKUP), PICKUP), PICKUP)
    assert {8.0, 12.0} <= {c.order for c in beside if c.part == "engine"}
    assert not {c.key for c in beside} & {c.key for c in candidates_of(PICKUP)}
    wheel_hz = MPS / PICKUP.tire.circumference_m
    firing_hz = wheel_hz * 3.73 * 0.87 * 4.0
    t = np.arange(int(40 * RATE_HZ)) / RATE_HZ
    hum = sum(np.cos(2 * np.pi * k * firing_hz * t) / k for k in (1, 2, 3))
    found = diagnose(recorded(noise_of(40.0) + 0.5 * hum), PICKUP, speed=parse_speed_given("60 mph"))
    assert {s.order for s in found.suspects if s.part == "engine"} == {
        c.order for c in candidates_of(PICKUP) if c.part == "engine"
    }
    assert found.nothing_found_probability > 0.5
    assert not found.runout_check.warranted


@pytest.mark.parametrize(
    ("part", "order", "per_wheel"), [("driveshaft", 2.0, 7.46), ("tire_wheel", 2.0, 2.0)]
)
def test_a_line_that_stands_out_of_the_sound_is_named(part: str, order: float, per_wheel: float) -> None:
    """Gear told; 30 dB over the noise's density: heard through any wind."""
    hz = per_wheel * MPS / PICKUP.tire.circumference_m
    t = np.arange(int(40 * RATE_HZ)) / RATE_HZ
    loud = np.sqrt(2.0 * 1e3 * 2.0 / RATE_HZ) * np.cos(2 * np.pi * hz * t)
    found = diagnose(recorded(noise_of(40.0) + loud), PICKUP, speed=parse_speed_given("60 mph"), gear=5)
    top = found.suspects[0]
    assert (top.part, top.order) == (part, order)
    assert top.probability > 0.6


def test_firing_is_louder_in_sound_and_only_the_engine_is() -> None:
    felt, heard = candidates_of(PICKUP), in_sound(candidates_of(PICKUP), PICKUP)
    for a, b in zip(felt, heard, strict=True):
        assert (b.healthy.median_mps2 > a.healthy.median_mps2) == (a.part == "engine")


@pytest.mark.parametrize("count", [11_999, 12_000, 12_001, 12_007])
@pytest.mark.parametrize("rate_hz", [RATE_HZ, 2004.5, 8000.0])
def test_thinned_sound_has_a_validity_for_every_sample_and_keeps_its_lines_in_place(
    count: int, rate_hz: float
) -> None:
    t = np.arange(count) / rate_hz
    samples = np.cos(2 * np.pi * 60.0 * t) + 0.2 * np.random.default_rng(2).standard_normal(count)
    recording = replace(recorded(samples), rate_hz=rate_hz)
    judged = judged_signal(recording, PICKUP)
    assert judged.valid.shape == judged.samples.shape[1:]
    assert judged.samples.shape[1] / judged.rate_hz == pytest.approx(count / rate_hz, abs=0.02)
    own = np.arange(judged.samples.shape[1]) / judged.rate_hz
    phase = np.angle(np.mean(judged.samples[0] * np.exp(-2j * np.pi * 60.0 * own)))
    assert abs(phase) < 0.1
