"""Hypotheses that are given up before they are read to the end change nothing. The drives are invented, the truth is
what comes out when every hypothesis is read."""

from dataclasses import replace

import numpy as np
import pytest
from diagnosis_examples import STEADY, TRUCK

from vibeorder.diagnosis import diagnose, parallel, screening
from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.candidates import Candidate, candidates_of
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.lines import LineReader
from vibeorder.diagnosis.scan import Clock, Scan, Track, scan_tracks
from vibeorder.diagnosis.screening import HOPELESS, Hope, Screen
from vibeorder.diagnosis.signal import Signal
from vibeorder.simulate import Fault, Scenario, as_recording, road_test
from vibeorder.speed.given import parse_speed_given

RATE_HZ, SECONDS, WHEEL_HZ = 200.0, 40.0, 14.5


def test_every_probability_is_as_with_all_hypotheses_read(monkeypatch: pytest.MonkeyPatch) -> None:
    heard = Scenario(
        STEADY, duration_s=20.0, rate_hz=8000.0, sensor="audio", faults=(Fault("driveshaft", 1.0, 0.4),)
    )
    recording = as_recording(road_test(TRUCK, heard, np.random.default_rng(3)))
    given = parse_speed_given("60 mph")
    read: list[LineReader] = []
    whole = LineReader.lines

    def lines(self, gears, offsets):  # type: ignore[no-untyped-def]
        read.append(self)
        return whole(self, gears, offsets)

    monkeypatch.setattr(LineReader, "lines", lines)
    monkeypatch.setattr(parallel, "_processes", lambda: 1)  # what other processes read is not counted here
    quick = diagnose(recording, TRUCK, speed=given)
    few = len(read)
    read.clear()
    monkeypatch.setattr(screening, "HOPELESS", np.inf)
    slow = diagnose(recording, TRUCK, speed=given)
    assert few < 0.9 * len(read)
    assert quick.nothing_found_probability == pytest.approx(slow.nothing_found_probability, rel=1e-9)
    assert [(s.part, s.order) for s in quick.suspects] == [(s.part, s.order) for s in slow.suspects]
    for one, other in zip(quick.suspects, slow.suspects, strict=True):
        assert one.probability == pytest.approx(other.probability, rel=1e-9)
    assert quick.verdict == slow.verdict


def scanned(*orders: float) -> Scan:
    """Forty seconds of noise with a strong line at the wheel's second order, its tracks at these orders."""
    rng = np.random.default_rng(5)
    times = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    line = 0.3 * np.sqrt(2.0) * np.cos(2.0 * np.pi * 2.0 * WHEEL_HZ * times)
    samples = rng.normal(0.0, 0.3, (3, times.size)) + line * np.array([[0.8], [0.5], [0.33]])
    signal = Signal(samples.astype(np.float32), np.ones(times.size, bool), RATE_HZ, relative=False)
    mid_s = np.arange(0.5, SECONDS, 1.0)
    epsilon = np.asarray(np.arange(-60, 61) * 0.001, np.float64)
    clock = Clock(WHEEL_HZ * times, mid_s, np.full(mid_s.size, WHEEL_HZ), epsilon, epsilon.size)
    return scan_tracks(signal, floor_of(signal), clock, [Track(i, None, m) for i, m in enumerate(orders)])


def held(scan: Scan, epsilon: float, locked: float | None = None) -> Course:
    """A course off the nominal one by a constant; locked: that of its phase, where it is another."""
    ends = np.array([-1.0, SECONDS + 1.0])
    turns = (epsilon if locked is None else locked) * WHEEL_HZ * ends
    return Course(np.full(scan.clock.mid_s.size, epsilon), None, 0.0, turns, ends, locked=True)


def hopes_at(scan: Scan, epsilon: float) -> dict[int, Hope]:
    screen = Screen(scan, len(scan.tracks), np.zeros(len(scan.tracks) + 1))
    found = screen.hopes(held(scan, epsilon), None, {})
    assert [h.expected for h in found] == sorted((h.expected for h in found), reverse=True)
    return {j: hope for hope in found for j in hope.candidates}


def test_much_is_expected_on_a_line_and_little_on_its_skirt_or_in_noise() -> None:
    hopes = hopes_at(scanned(2.0, 2.0 * 1.02, 3.1), 0.0)
    assert hopes[0].expected > 15.0  # 0.3 m/s^2 in noise of 0.3: a reading saturates
    assert (
        hopes[1].expected < 0.1 * hopes[0].expected
    )  # 0.58 Hz beside it, within the Hann window's main lobe
    assert hopes[2].expected < 0.1 * hopes[0].expected


def test_a_phase_that_was_locked_elsewhere_is_heeded() -> None:
    scan = scanned(2.0 / 1.03, 3.1)
    screen = Screen(scan, 2, np.zeros(3))
    along, off, out = (
        {j: h for h in screen.hopes(held(scan, 0.0, locked), None, {}) for j in h.candidates}
        for locked in (0.03, 0.0, 0.2)
    )
    assert along[0].expected > 15.0 > 10.0 * off[0].expected
    assert out[1].expected > 15.0  # beyond the scan anything may be


def test_two_parts_of_one_rate_are_hoped_for_once() -> None:
    hopes = hopes_at(scanned(2.0, 2.0, 3.1), 0.0)
    assert hopes[0] is hopes[1]
    assert hopes[0].candidates == (0, 1)


def test_what_a_line_is_taken_to_come_to_is_more_than_a_reading_finds() -> None:
    scan = scanned(1.0, 2.0, 3.1)
    candidates: list[Candidate] = [c for c in candidates_of(TRUCK, False) if c.basis == "wheel"][:3]
    floor = floor_of(Signal(np.ones((3, 8000), np.float32), np.ones(8000, bool), RATE_HZ, relative=False))
    for epsilon in (-0.03, 0.0, 0.012):
        reader = LineReader(scan, candidates, held(scan, epsilon), floor)
        for j, hope in hopes_at(scan, epsilon).items():
            assert reader.best(None, {}, j) < hope.at_most


def test_a_line_that_may_be_read_in_parts_may_say_more_than_its_whole() -> None:
    hope = Hope((0,), 20.0)
    assert hope.once_read(3.0, shifts=False) == 3.0
    assert 20.0 < hope.once_read(3.0, shifts=True) < hope.at_most
    assert hope.once_read(90.0, shifts=True) == 90.0
    assert Hope((0,), 20.0, on_joints=True).once_read(3.0, shifts=False) > 4.0


def test_a_hypothesis_is_given_up_only_where_it_is_behind_for_everybody() -> None:
    scan = scanned(2.0, 3.1)
    hopes = (Hope((0,), 0.0), Hope((1,), 0.0))
    screen = Screen(scan, 2, np.zeros(3))
    assert not screen.gives_up(-1000.0, hopes)  # none was read yet
    screen.heed(np.array([100.0, -np.inf, 90.0]))
    assert not screen.gives_up(-1000.0, hopes)  # nobody else has a rate for the second
    assert screen.gives_up(-1000.0, hopes[:1])
    screen.heed(np.array([50.0, 80.0, 70.0]))
    assert screen.gives_up(79.0 - HOPELESS, hopes)
    assert not screen.gives_up(81.0 - HOPELESS, hopes)


def test_nothing_is_given_up_where_the_scan_cannot_tell() -> None:
    scan = replace(scanned(2.0, 3.1), ratio=())
    screen = Screen(scan, 2, np.zeros(3))
    screen.heed(np.full(3, 1000.0))
    assert not screen.gives_up(-1000.0, (Hope((0,), 0.0),))
