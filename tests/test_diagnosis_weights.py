"""The arithmetic of weighing, against general-purpose libraries and against brute force on cases small enough."""

from itertools import pairwise, product
from typing import cast

import numpy as np
import pytest
from diagnosis_examples import TRUCK
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from vibeorder.diagnosis import evidence
from vibeorder.diagnosis.amplitudes import (
    COMPLAINT_FROM_MPS2,
    HealthyPrior,
    complaint_from,
    line_evidence,
    log_prior_of,
)
from vibeorder.diagnosis.analyse import SHAKES_SHARES, Piece, combined_log_odds
from vibeorder.diagnosis.blocks import _settled
from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.evidence import AMPLITUDES, line_likelihood, read_line
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.gears import (
    NOT_LOCKED,
    course_log_prior,
    gear_log_prior,
    logged_gear_votes,
    shift_log_prior,
)
from vibeorder.diagnosis.judge import Judgement
from vibeorder.diagnosis.paths import gear_totals, spread, trace_gears, wobble_course
from vibeorder.diagnosis.posterior import UNNAMED_TEMPERATURE, Kind, floor_of, posterior_of, tempered
from vibeorder.diagnosis.propose import RateDoubt
from vibeorder.diagnosis.scan import Clock

FloatArray = NDArray[np.float64]
PERCEIVED_MPS2_PEAK = 0.015
"""Half of alert people can just detect a weighted vibration of this peak: ISO 2631-1:1997, Annex C
(value from memory)."""


# ---- likelihood of a line


@pytest.mark.parametrize(("channels", "blocks", "seed"), [(1, 6, 0), (3, 11, 1), (2, 20, 2)])
def test_the_likelihood_of_a_line_is_that_of_the_complex_gaussian_it_states(
    channels: int, blocks: int, seed: int
) -> None:
    # A circular complex Gaussian of covariance C: real and imaginary parts independent, of covariance C / 2.
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(channels, blocks)) + 1j * rng.normal(size=(channels, blocks))
    gain = rng.uniform(0.5, 3.0, (channels, blocks))
    mid_s = np.asarray(2.0 * np.arange(blocks), float)
    log_f = np.log(np.linspace(20.0, 31.0, blocks))
    apart = np.abs(mid_s[:, None] - mid_s)
    kernel = np.exp(-0.5 * ((log_f[:, None] - log_f) / evidence.RESPONSE_LENGTH) ** 2 - apart / 20.0)
    recorded = rng.uniform(0.01, 1.0, blocks)
    # Harris 1978: half-overlapped Hann blocks, 16.7%, of that part of their noise which was recorded
    noise = np.eye(blocks) + (apart == 2.0) / 6.0 * np.sqrt(np.outer(recorded, recorded))
    picked = [0, 20, 40, 66]
    expected = [
        sum(
            _log_density(y[c], noise + AMPLITUDES[i] ** 2 * np.outer(gain[c], gain[c]) * kernel)
            - _log_density(y[c], noise)
            for c in range(channels)
        )
        for i in picked
    ]
    found = line_likelihood(y, gain, mid_s, log_f, 20.0, recorded)
    assert found[picked] == pytest.approx(expected, rel=1e-6, abs=1e-7)


@pytest.mark.parametrize("times_the_noise", [0.1, 0.3, 3.0])
def test_a_line_says_the_less_the_farther_it_lies_off_its_track_however_strong(
    times_the_noise: float,
) -> None:
    """A sine in white noise cut into Hann blocks of 4 s, read at 20 Hz: common practice, no source."""
    said = [_said_of_a_sine(times_the_noise, 20.0 + off) for off in (0.0, 0.1, 0.2, 0.3, 0.4)]
    assert all(farther < 1.05 * nearer + 1.0 for nearer, farther in pairwise(said))
    assert said[-1] < 0.7 * said[0]


@pytest.mark.parametrize("off", [-0.004, -0.002, 0.0005, 0.0025])
def test_a_line_sought_by_steps_is_read_at_the_rate_its_phases_tell(off: float) -> None:
    """A line of 40 Hz against a track that slip or creep leaves open; rates from the phase of a rotating pointer."""
    rng = np.random.default_rng(5)
    mid_s = np.asarray(2.0 + 2.0 * np.arange(20), float)
    noise = 0.1 * np.ones((3, 20))
    track = np.full(20, 40.0)
    line = np.exp(2j * np.pi * off * 40.0 * mid_s) * rng.normal(size=(3, 1))
    noisy = line + 0.07 * (rng.normal(size=(3, 20)) + 1j * rng.normal(size=(3, 20)))
    y = np.asarray(noisy, np.complex128)
    turned, found = _settled(y, noise, mid_s, track, np.ones(20), 0.003)
    assert found == pytest.approx(min(max(off, -0.003), 0.003), abs=1e-4)
    if abs(off) < 0.003:
        assert abs(turned.sum(axis=1)) == pytest.approx(20.0 * abs(line[:, 0]), rel=0.2, abs=0.5)


def _said_of_a_sine(rms: float, hz: float) -> float:
    rng = np.random.default_rng(3)
    t_s = np.arange(6000) / 100.0
    samples = rng.normal(size=t_s.size) + rms * np.sqrt(2.0) * np.cos(2.0 * np.pi * hz * t_s)
    window = np.sin(np.pi * (np.arange(400) + 0.5) / 400) ** 2
    first = np.arange(0, t_s.size - 399, 200)
    scale = 2.0 / window.sum()
    turned = samples * np.exp(-2j * np.pi * 20.0 * t_s)
    y = np.array([[scale * (turned[f : f + 400] * window).sum() for f in first]])
    noise = np.full(y.shape, scale * np.sqrt((window**2).sum()))
    ones = np.ones(first.size)
    return read_line(y, noise, first / 100.0 + 2.0, 20.0 * ones, 1.0, 8.0, 4.0, ones).best


def _log_density(y: NDArray[np.complex128], covariance: FloatArray) -> float:
    normal = stats.multivariate_normal(np.zeros(y.size), covariance / 2.0)
    return float(normal.logpdf(y.real) + normal.logpdf(y.imag))


def test_a_line_of_known_strength_is_likeliest_near_that_strength() -> None:
    rng = np.random.default_rng(7)
    best = []
    for _ in range(40):
        gains = rng.normal(size=(3, 20)) + 1j * rng.normal(size=(3, 20))
        noise = rng.normal(size=(3, 20)) + 1j * rng.normal(size=(3, 20))
        y = np.asarray(0.8 * gains / 2**0.5 + 0.1 * noise, np.complex128)
        # memory shorter than the hop: every block moves on its own, as simulated
        hops_s = np.asarray(2.0 * np.arange(20), float)
        log_l = line_likelihood(y / 0.141, np.full((3, 20), 1.0 / 0.141), hops_s, np.zeros(20), 1e-3)
        best.append(AMPLITUDES[log_l.argmax()])
    assert float(np.median(best)) == pytest.approx(0.8, rel=0.08)


# ---- courses


def brute_totals(
    ev: FloatArray, switch: FloatArray, start: FloatArray
) -> tuple[FloatArray, list[tuple[int, ...]]]:
    frames, states, cells = ev.shape
    totals, ways = [], []
    for cell in range(cells):
        scored = []
        for way in product(range(states), repeat=frames):
            total = start[way[0]] + ev[0, way[0], cell]
            for t in range(1, frames):
                total += switch[t, way[t - 1], way[t]] + ev[t, way[t], cell]
            scored.append((total, way))
        best = max(scored)
        totals.append(best[0])
        ways.append(best[1])
    return np.array(totals), ways


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 5), st.integers(2, 3), st.integers(0, 10_000))
def test_the_best_course_of_gears_is_the_best_of_all_courses(frames: int, states: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    ev = rng.normal(0, 3, (frames, states, 3)).astype(np.float32)
    switch = rng.normal(-2, 1, (frames, states, states))
    start = rng.normal(0, 1, states)
    totals, best = gear_totals(ev, switch, start)
    expected, ways = brute_totals(ev.astype(float), switch, start)
    assert totals == pytest.approx(expected, rel=1e-5, abs=1e-5)
    for cell in range(3):
        assert tuple(trace_gears(best, switch, cell)) == ways[cell]


def test_one_gear_leaves_one_course() -> None:
    ev = np.arange(12, dtype=np.float32).reshape(4, 1, 3)
    held = np.zeros((4, 1, 1))
    totals, best = gear_totals(ev, held, np.array([-1.0]))
    assert totals == pytest.approx(ev.sum(axis=(0, 1)) - 1.0)
    assert (trace_gears(best, held, 0) == 0).all()


def test_the_wobble_about_a_constant_is_the_best_of_all_courses() -> None:
    # 5 frames, 5 cells about the centre: 3125 courses
    rng = np.random.default_rng(2)
    ev = rng.normal(0, 2, (5, 11)).astype(np.float32)
    centre, wander, step = 5, 0.7, 1.1
    found = wobble_course(ev, centre, wander, step).astype(int)
    cells = range(centre - 2, centre + 3)

    def total(course: tuple[int, ...]) -> float:
        pull = sum(-0.5 * ((c - centre) / (1.5 * wander)) ** 2 / 3.0 for c in course)
        move = sum(-0.5 * ((b - a) / step) ** 2 for a, b in pairwise(course))
        return float(pull + move + sum(ev[t, c] for t, c in enumerate(course)))

    best = max(total(course) for course in product(cells, repeat=5))
    assert total(tuple(found)) == pytest.approx(best, abs=1e-5)


def test_looking_about_each_cell_earns_nothing_by_itself() -> None:
    flat = np.zeros((3, 41), np.float32)
    assert spread(flat, 2.0)[:, 8:-8] == pytest.approx(0.0, abs=1e-6)
    peak = flat.copy()
    peak[:, 20] = 5.0
    spread_out = spread(peak, 2.0)
    assert spread_out.max() < 5.0
    assert (spread_out.argmax(axis=1) == 20).all()


# ---- gears


def test_gear_priors_are_probabilities_and_favour_an_engine_speed_that_people_drive_at() -> None:
    per_wheel = 3.55 * np.array([4.7, 2.99, 2.15, 1.77, 1.52, 1.28, 1.0, 0.85])
    wheel_hz = np.array([3.0, 7.0, 11.0])
    log_p = gear_log_prior(per_wheel, wheel_hz)
    assert np.exp(log_p[:, :-1]).sum(axis=1) == pytest.approx(1.0)
    best = log_p[:, :-1].argmax(axis=1)
    assert list(best) == sorted(best)
    rpm = 60.0 * wheel_hz * per_wheel[best]
    assert ((rpm > 1200.0) & (rpm < 3000.0)).all()
    first_at_speed = 60.0 * 11.0 * per_wheel[0]  # 11,000 rpm: no engine does
    assert first_at_speed > 10_000.0
    assert log_p[2, 0] < -15.0


def test_every_shift_costs_and_a_far_one_more() -> None:
    log_p = gear_log_prior(np.array([5.0, 4.0, 3.0]), np.full(20, 9.0))
    switch = shift_log_prior(log_p)

    def prior(*state: int) -> float:
        return course_log_prior(np.repeat(state, 20 // len(state)).astype(np.intp), log_p, switch).log_prior

    assert prior(0) - prior(0, 1) > 1.0
    assert prior(0, 1) > prior(0, 1, 0, 0)
    assert prior(0, 1) - float(log_p[10, 1]) > prior(0, 2) - float(log_p[10, 2])
    neutral = course_log_prior(np.full(20, 3, np.intp), log_p, switch)
    assert (neutral.gear == NOT_LOCKED).all()


def test_steps_of_the_chain_of_gears_are_probabilities() -> None:
    """A Markov chain's rows sum to one (textbook), less what staying out of the engine's range costs."""
    log_p = gear_log_prior(np.array([5.0, 4.0, 3.0]), np.linspace(6.0, 9.0, 7))
    assert np.exp(shift_log_prior(log_p)).sum(axis=2) == pytest.approx(1.0)


def test_a_gear_that_no_longer_suits_the_speed_costs_by_the_second() -> None:
    wheel_hz = np.full(60, 14.0)
    log_p = gear_log_prior(np.array([7.0, 2.2]), wheel_hz)  # 5900 rpm, or 1850
    switch = shift_log_prior(log_p)
    screaming, usual = (
        course_log_prior(np.full(log_p.shape[0], g - 1), log_p, switch).log_prior for g in (1, 2)
    )
    shifted = course_log_prior(np.repeat([0, 1], 30).astype(np.intp), log_p, switch).log_prior
    assert usual > shifted > screaming


def test_a_logged_engine_speed_votes_for_the_gear_it_fits() -> None:
    per_wheel = np.array([6.0, 5.0, 4.0])
    votes = logged_gear_votes(np.array([5.02, 4.01, 8.0]), per_wheel, [1, 2, 3, None])
    assert list(votes[:2].argmax(axis=1)) == [1, 2]
    assert votes[2].argmax() == 3  # fits none: not locked


def test_a_tire_two_percent_off_counts_against_no_gear_of_a_logged_engine_speed() -> None:
    per_wheel = np.array([6.0, 5.0, 4.0])
    ratio = np.repeat([6.0, 4.0], 40)
    as_typed = logged_gear_votes(ratio, per_wheel, [1, 2, 3, None])
    off = logged_gear_votes(1.02 * ratio, per_wheel, [1, 2, 3, None])
    assert off == pytest.approx(as_typed, abs=1e-3)
    # 8% is no tire of the size that was typed in
    assert logged_gear_votes(1.08 * ratio, per_wheel, [1, 2, 3, None]).max(axis=1).sum() < -100.0


# ---- strengths

TIRE = HealthyPrior(0.9, 0.022, 0.8)


@pytest.mark.parametrize("role", ["healthy", "fault", "excited"])
@pytest.mark.parametrize("healthy", [TIRE, HealthyPrior(0.3, 0.004, 0.7)])
def test_the_prior_of_a_strength_is_a_probability(healthy: HealthyPrior, role: str) -> None:
    assert np.exp(log_prior_of((healthy, role))).sum() == pytest.approx(1.0, abs=1e-6)


def test_healthy_and_fault_cross_near_the_strength_from_which_people_complain() -> None:
    sound, fault = (np.array(log_prior_of((TIRE, role))[1:]) for role in ("healthy", "fault"))
    weak, strong = (np.searchsorted(AMPLITUDES, a) for a in (0.02, 0.3))
    assert sound[weak] > fault[weak] + 2.0
    assert fault[strong] > sound[strong] + 2.0
    between = np.flatnonzero(fault[weak:strong] > sound[weak:strong])[0] + weak
    assert COMPLAINT_FROM_MPS2 / 1.6 < AMPLITUDES[between] < COMPLAINT_FROM_MPS2 * 1.6


def test_a_complaint_lies_several_times_above_what_is_just_perceived() -> None:
    assert 3.0 < 2**0.5 * COMPLAINT_FROM_MPS2 / PERCEIVED_MPS2_PEAK < 20.0


def test_a_rough_road_raises_what_is_a_complaint_and_a_smooth_one_does_not_lower_it() -> None:
    assert complaint_from(0.0) == pytest.approx(COMPLAINT_FROM_MPS2, rel=0.05)
    assert complaint_from(0.1) == complaint_from(0.0)
    assert complaint_from(1.0) > 2.0 * complaint_from(0.1)
    assert complaint_from(0.3) <= complaint_from(0.6)


def test_a_line_measured_at_a_complaints_strength_speaks_for_the_fault_and_a_weak_one_for_health() -> None:
    def measured(a: float) -> FloatArray:
        return np.asarray(20.0 - 0.5 * (np.log(AMPLITUDES / a) / 0.1) ** 2)

    for a, fault_wins in ((0.3, True), (0.15, True), (0.03, False), (0.01, False)):
        fault, sound = (line_evidence(measured(a), [(TIRE, role)]) for role in ("fault", "healthy"))
        assert (fault > sound) is fault_wins


def test_two_healthy_lines_together_are_stronger_than_one() -> None:
    measured = np.asarray(20.0 - 0.5 * (np.log(AMPLITUDES / 0.06) / 0.05) ** 2)
    one = line_evidence(measured, [(TIRE, "healthy")])
    both = line_evidence(measured, [(TIRE, "healthy"), (TIRE, "healthy")])
    assert both > one


# ---- probabilities

CANDIDATES = candidates_of(TRUCK)
KINDS: tuple[Kind, ...] = ("logged", "given", "inferred", "audio")


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.1, 400.0), st.sampled_from(KINDS))
def test_probabilities_sum_to_one_are_never_zero_and_keep_the_order(
    seed: int, size: float, kind: Kind
) -> None:
    weight = np.random.default_rng(seed).normal(0.0, size, len(CANDIDATES) + 1)
    found = posterior_of(tempered(weight, np.zeros(weight.size), kind), kind)
    everything = np.append(found.candidate, found.nothing)
    assert everything.sum() == pytest.approx(1.0, abs=1e-12)
    assert everything.min() > 0.0
    # where names are tempered more than that there is a fault, nothing keeps its place by itself
    apart = kind in UNNAMED_TEMPERATURE
    ranked = found.candidate if apart else everything
    own = weight[: ranked.size]
    assert ranked[own.argmax()] == ranked.max()  # of names that are all at the floor none is first
    assert apart or ranked.argmax() == own.argmax()
    assert (np.diff(ranked[np.argsort(own)]) >= -1e-15).all()


def test_without_a_speed_the_names_are_guessed_and_the_fault_is_not() -> None:
    weight = np.zeros(len(CANDIDATES) + 1)
    weight[0], weight[1] = 9.0, 6.0
    even = np.zeros(weight.size)
    logged = posterior_of(tempered(weight, even, "logged"), "logged")
    inferred = posterior_of(tempered(weight, even, "inferred"), "inferred")
    assert inferred.nothing < 0.01
    assert inferred.candidate[0] / inferred.candidate[1] < 0.3 * logged.candidate[0] / logged.candidate[1]


def test_a_candidate_that_cannot_be_has_only_the_floor() -> None:
    weight = np.full(len(CANDIDATES) + 1, -np.inf)
    weight[-1] = 0.0
    assert posterior_of(tempered(weight, np.zeros(weight.size), "logged"), "logged").nothing > 0.99


def test_nothing_known_of_the_speed_makes_no_answer_surer() -> None:
    weight = np.zeros(len(CANDIDATES) + 1)
    weight[0] = 8.0
    even = np.zeros(weight.size)
    top = {kind: posterior_of(tempered(weight, even, kind), kind).candidate[0] for kind in KINDS}
    assert top["logged"] >= top["given"] >= top["inferred"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_recording_that_says_nothing_leaves_the_prior_as_it_was(kind: Kind) -> None:
    prior = np.log(np.array([0.1, 0.2, 0.3, 0.4]))
    found = posterior_of(tempered(prior - prior[-1], prior, kind), kind)
    assert found.nothing == pytest.approx(0.4, abs=0.2 * floor_of(kind))
    assert found.candidate[0] == pytest.approx(0.1, abs=0.2 * floor_of(kind))


def piece(log_class: FloatArray, log_prior: FloatArray) -> Piece:
    judged = Judgement((), log_prior, log_class, ())
    return Piece(0.0, cast(Clock, None), cast(RateDoubt, None), judged, cast(Floor, None))


def test_one_stretch_is_its_own_judgement() -> None:
    prior = np.log(np.array([0.3, 0.3, 0.4]))
    log_class = np.array([3.0, -1.0, 0.5])
    assert combined_log_odds([piece(log_class, prior)]) == pytest.approx(log_class - log_class[-1])


def test_stretches_combine_as_a_fault_that_is_felt_in_a_share_of_them() -> None:
    # sum over q of p(q) prod over stretches of (q exp(l) + 1 - q), by hand; priors count once
    prior = np.log(np.array([0.2, 0.3, 0.5]))
    rng = np.random.default_rng(4)
    odds = [np.append(rng.normal(0, 2, 2), 0.0) for _ in range(4)]
    found = combined_log_odds([piece(prior + o + 7.0, prior) for o in odds])
    for k in range(2):
        total = np.mean([np.prod([q * np.exp(o[k]) + 1.0 - q for o in odds]) for q in SHAKES_SHARES])
        assert found[k] == pytest.approx(np.log(total) + prior[k] - prior[-1])
    assert found[-1] == 0.0


def test_a_shake_felt_in_one_stretch_of_four_is_not_lost_among_the_quiet_ones() -> None:
    prior = np.log(np.array([0.5, 0.5]))
    quiet, loud = np.array([-6.0, 0.0]), np.array([25.0, 0.0])
    found = combined_log_odds([piece(prior + o, prior) for o in (quiet, quiet, loud, quiet)])
    assert found[0] > 10.0
    nowhere = combined_log_odds([piece(prior + quiet, prior)] * 4)
    assert nowhere[0] < 0.0
