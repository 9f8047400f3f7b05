"""Which courses are weighed, in scans made by hand."""

from dataclasses import replace

import numpy as np
from diagnosis_examples import VAN

from vibeorder.diagnosis.analyse import _unfolded
from vibeorder.diagnosis.candidates import candidates_of, upper_orders
from vibeorder.diagnosis.propose import THOROUGH, Effort, RateDoubt, propose
from vibeorder.diagnosis.scan import Bands, Clock, Scan, Track
from vibeorder.diagnosis.signal import Signal
from vibeorder.vehicle import engine_ratio, parse_vehicle

SECONDS, RATE_HZ, WHEEL_HZ = 60, 200.0, 10.0
EPSILON = np.asarray(np.arange(-50, 51) * 0.001, np.float64)
PUMP = next(c for c in candidates_of(VAN) if c.part == "accessory:pump")
PER_WHEEL = np.array([engine_ratio(VAN, g, False) for g in (1, 2, 3, 4)])
STRAIGHT_ON = 50


def scan_of(shares: dict[int, float]) -> Scan:
    """The pump's line in gears: clear in this share of the seconds, the first in one, the last in another."""
    tracks = tuple(Track(0, g, PUMP.multiple * float(PER_WHEEL[g - 1])) for g in shares)
    mid_s = np.asarray(np.arange(SECONDS) + 0.5, float)
    turns = WHEEL_HZ / RATE_HZ * np.arange(int(SECONDS * RATE_HZ))
    clock = Clock(np.asarray(turns, float), mid_s, np.full(SECONDS, WHEEL_HZ), EPSILON, EPSILON.size)
    evidence = []
    for k, share in enumerate(shares.values()):
        seen = np.full((SECONDS, EPSILON.size), np.float32(-1.0))
        clear = int(share * SECONDS)
        rows = slice(0, clear) if k else slice(SECONDS - clear, SECONDS)
        seen[rows, STRAIGHT_ON] = 10.0
        evidence.append(seen)
    silence = np.random.default_rng(1).standard_normal((3, turns.size)).astype(np.float32)
    signal = Signal(silence, np.ones(turns.size, bool), RATE_HZ, False)
    return Scan(tracks, clock, tuple(evidence), Bands(signal, clock, tracks))


def gears_led_to(effort: Effort) -> list[set[int]]:
    """Gears of the course that each proposal's own line led to."""
    doubt = RateDoubt(0.0, 0.02, 0.008, 0.002)
    found = propose(scan_of({3: 0.75, 4: 0.7}), [PUMP], doubt, PER_WHEEL, None, RATE_HZ, effort=effort)
    return [set(p.gears[0].gear.tolist()) for p in found]


def test_a_gear_that_was_held_is_weighed_beside_courses_that_change_wherever_a_line_votes_for_it() -> None:
    one = replace(THOROUGH, anchors=1, converters=0, held=0)
    assert all(len(gears) > 1 for gears in gears_led_to(one))
    assert any(len(gears) == 1 for gears in gears_led_to(replace(one, held=1)))


def test_an_upper_order_is_read_where_the_speed_is_known_only_if_it_does_not_fold() -> None:
    """At 9 turns a second 6x lies at 54 Hz and 9x at 81 Hz: half of 200 Hz is above both, half of 120 Hz between."""
    fwd = parse_vehicle(
        {
            "vehicle": {"name": "gray van", "layout": "fwd"},
            "tire": {"size": "225/60R16"},
            "axle": {"ratio": 3.5},
        }
    )
    upper = [c for c in upper_orders(candidates_of(fwd), fwd) if c.part == "half_shaft"]
    clock = replace(scan_of({3: 1.0}).clock, rate_hz=np.full(SECONDS, 9.0))
    for rate_hz, orders in ((200.0, {6.0, 9.0}), (120.0, {6.0}), (50.0, set())):
        part = Signal(np.zeros((3, 9), np.float32), np.ones(9, bool), rate_hz, False)
        assert {c.order for c in _unfolded(upper, part, clock)} == orders
