"""Is the recommended drive better than another? Ambiguous diagnoses, each followed by two drives.

A vehicle with a known fault is recorded so that suspects stay together; the recommended drive and one drawn at
random from the others that could be made are simulated, with the same fault on the same vehicle, weighed, and put
together with the first (`combined_log_odds` over the stretches of both). Printed: entropy of the ranking before
and after, what was promised, and how often the truth comes first.

    nice -n 5 python tests/benchmarks/next_drive.py [DRIVES PER CASE]
"""

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import numpy as np
from common import table
from numpy.typing import NDArray

from vibeorder.diagnosis import Weighed, told, weigh
from vibeorder.diagnosis.analyse import Piece, combined_log_odds
from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.drive_entropy import entropy_bits
from vibeorder.diagnosis.drive_model import RESPONSE_LOG_SD, DriveChoice
from vibeorder.diagnosis.drive_standing import standing_of
from vibeorder.diagnosis.evidence import RESPONSE_LENGTH
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.judge import Judgement, judge
from vibeorder.diagnosis.nextdrive import ScoredDrive, circumstances_of, next_drive_of, rank_drives
from vibeorder.diagnosis.posterior import posterior_of, tempered
from vibeorder.diagnosis.prepare import signal_of
from vibeorder.diagnosis.propose import RateDoubt
from vibeorder.diagnosis.scan import HOP_S, Clock, Track, scan_tracks
from vibeorder.recording import Recording
from vibeorder.simulate import Drive, Fault, RoadTest, Scenario, as_recording, healthy_of, road_test
from vibeorder.speed.given import parse_speed_given
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Vehicle, parse_vehicle

FloatArray = NDArray[np.float64]
Key = tuple[str, float]

PROFILE: dict[str, object] = {
    "vehicle": {"name": "invented truck", "layout": "rwd"},
    "tire": {"size": "275/65R18"},
    "axle": {"ratio": 3.55},
    "transmission": {"gears": [4.7, 2.99, 2.15, 1.77, 1.52, 1.28, 1.0, 0.85]},
    "engine": {"cylinders": 8},
}
TRUCK = parse_vehicle(PROFILE)
CAR = parse_vehicle(
    {
        "vehicle": {"name": "invented car", "layout": "fwd"},
        "tire": {"size": "205/55R16"},
        "axle": {"ratio": 4.06},
        "transmission": {"gears": [3.48, 1.93, 1.29, 0.96, 0.75]},
        "engine": {"cylinders": 4},
    }
)
RATE_HZ, FIRST_S, RMS_MPS2 = 150.0, 30.0, 0.2
RPM_KNOWN_TO, STILL = 0.01, 0.02


@dataclass(frozen=True, slots=True)
class Case:
    """One ambiguous diagnosis. known: "gps", "dash" or "none", what is told of the speed; gear: told, or None."""

    name: str
    vehicle: Vehicle
    drive: Drive
    truth: Key
    gear: int | None = None
    known: str = "gps"


DIRECT = Drive("steady", (60.0 * MPH_MPS,), ((0.0, 7),))
DIRECT_SWEEP = Drive("sweep", (50.0 * MPH_MPS, 62.0 * MPH_MPS), ((0.0, 7),))
TOP_HELD = Drive("steady", (60.0 * MPH_MPS,), ((0.0, 8),))
CAR_FOURTH = Drive("steady", (55.0 * MPH_MPS,), ((0.0, 4),))
CAR_FIFTH = Drive("steady", (55.0 * MPH_MPS,), ((0.0, 5),))
CASES = (
    Case("1.00 gear held, told", TRUCK, DIRECT, ("driveshaft", 1.0), 7),
    Case("1.00 gear held, told", TRUCK, DIRECT, ("engine", 1.0), 7),
    Case("1.00 gear, sweep, not told", TRUCK, DIRECT_SWEEP, ("driveshaft", 2.0)),
    Case("1.00 gear, sweep, not told", TRUCK, DIRECT_SWEEP, ("engine", 1.0)),
    Case("car, held, by the dash", CAR, CAR_FOURTH, ("engine", 1.0), None, "dash"),
    Case("car, held, by the dash", CAR, CAR_FIFTH, ("tire_wheel", 3.0), None, "dash"),
    Case("no speed, held", TRUCK, TOP_HELD, ("driveshaft", 1.0), None, "none"),
    Case("no speed, held", TRUCK, TOP_HELD, ("tire_wheel", 1.0), None, "none"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ranking:
    """Probability of every suspect and of nothing, by key."""

    probability: dict[Key, float]

    @property
    def bits(self) -> float:
        """Entropy."""
        return entropy_bits(np.array(list(self.probability.values())))

    @property
    def top(self) -> Key:
        """The likeliest."""
        return max(self.probability, key=lambda key: self.probability[key])


@dataclass(frozen=True, slots=True)
class Outcome:
    """One case, once: rankings after the first drive, the recommended one and another; the entropies promised."""

    case: Case
    chosen: DriveChoice
    before: Ranking
    after: Ranking
    other: Ranking
    promised: float
    promised_other: float


def main(drives: int) -> str:
    """Run every case and return the tables."""
    outcomes = []
    for number, case in enumerate(CASES):
        for seed in range(drives):
            found = one(case, 1000 * number + seed)
            if found is not None:
                outcomes.append(found)
    rows = [_row(f"{case.name}; {case.truth[0]} {case.truth[1]:g}x", [o for o in outcomes if o.case is case])
            for case in CASES]  # fmt: skip
    heads = (
        "case and truth", "n", "bits before", "recommended: promised", "measured",
        "another: promised", "measured", "truth first: before", "recommended", "another", "kinds chosen",
    )  # fmt: skip
    return table(heads, [*rows, _row("all", outcomes)]) + "\n\n" + _paired(outcomes)


def _paired(outcomes: Sequence[Outcome]) -> str:
    """The two drives after one and the same first drive, compared."""
    less = np.array([o.other.bits - o.after.bits for o in outcomes])
    truth = np.array(
        [o.after.probability[o.case.truth] - o.other.probability[o.case.truth] for o in outcomes]
    )
    se = 1.0 / np.sqrt(max(less.size, 1))
    return (
        f"After the recommended drive {less.mean():.2f} bits (se {less.std() * se:.2f}) less are left than after "
        f"another, and the truth has {100 * truth.mean():.0f} (se {100 * truth.std() * se:.0f}) points more of the "
        f"probability; {less.size} first drives."
    )


def _row(name: str, some: Sequence[Outcome]) -> list[str]:
    if not some:
        return [name, "0", *["-"] * 9]
    kinds = sorted({o.chosen.kind for o in some})
    bits = (
        np.mean([o.before.bits for o in some]), np.mean([o.promised for o in some]),
        np.mean([o.after.bits for o in some]), np.mean([o.promised_other for o in some]),
        np.mean([o.other.bits for o in some]),
    )  # fmt: skip
    right = [sum(r.top == o.case.truth for o, r in zip(some, ranks, strict=True)) for ranks in (
        [o.before for o in some], [o.after for o in some], [o.other for o in some])]  # fmt: skip
    return [name, str(len(some)), *(f"{b:.2f}" for b in bits), *map(str, right), ", ".join(kinds)]


def one(case: Case, seed: int) -> Outcome | None:
    """One vehicle: first drive, recommended drive, another; None where no drive was recommended."""
    rng = np.random.default_rng(seed)
    first = _drive(case, case.drive, RMS_MPS2, FIRST_S, rng.spawn(1)[0], None)
    weighed = _weighed(case, as_recording(first, gps=case.known == "gps"), first, case.known, case.gear)
    result = told(weighed)
    piece = max(weighed.pieces, key=lambda p: float(p.judgement.log_class.max()))
    standing = standing_of(
        result.suspects, result.nothing_found_probability, piece, case.vehicle, result.speed, weighed.kind
    )
    speed = result.speed.speed_mps
    advice = next_drive_of(standing, case.vehicle, speed, kind=weighed.kind, sample_rate_hz=RATE_HZ)
    if advice is None or advice.bits_after is None or advice.bits_after == advice.bits_before:
        return None
    scored = rank_drives(standing, case.vehicle, circumstances_of(case.vehicle, speed, weighed.kind, RATE_HZ))
    readable = [s for s in scored if s.choice.kind != "load"]  # the simulator knows no load
    others = [s for s in readable if s.choice != readable[0].choice]
    other = others[int(rng.integers(len(others)))]
    rankings = [
        _after(case, weighed, scored_one, first, np.random.default_rng([seed, place]))
        for place, scored_one in enumerate((readable[0], other))
    ]
    best, another = rankings
    before = _ranking(weighed, weighed.pieces)
    return Outcome(case, readable[0].choice, before, best, another, readable[0].bits_after, other.bits_after)


def _after(
    case: Case, weighed: Weighed, scored: ScoredDrive, first: RoadTest, rng: np.random.Generator
) -> Ranking:
    """The ranking from both drives together."""
    choice = scored.choice
    drive = _as_drive(choice)
    rms = RMS_MPS2 * _moved(case, choice, first, rng)
    test = _drive(case, drive, rms, choice.duration_s, rng, first.truth.tire_scale)
    if choice.kind == "stand":
        second: Sequence[Piece] = [_standing_piece(weighed, as_recording(test), choice.engine_rpm)]
    else:
        gear = choice.gears[0] if len(choice.gears) == 1 else None
        known = "gps" if case.known == "none" else case.known
        second = _weighed(case, as_recording(test, gps=known == "gps"), test, known, gear).pieces
    kind = "logged" if case.known == "none" else weighed.kind
    # the first stretch's evidence counts as its own kind of speed allows, the second's as its own
    return _ranking(replace(weighed, kind=kind), [*_cooled(weighed, kind), *second])


def _cooled(weighed: Weighed, kind: str) -> list[Piece]:
    """The first drive's stretches, their evidence tempered as the second drive's will be (done once, at the end)."""
    from vibeorder.diagnosis.posterior import TEMPERATURE

    share = TEMPERATURE[kind] / TEMPERATURE[weighed.kind]  # type: ignore[index]
    out = []
    for piece in weighed.pieces:
        judged = piece.judgement
        odds = judged.log_class - judged.log_class[-1] - judged.log_prior + judged.log_prior[-1]
        out.append(replace(piece, judgement=replace(judged, log_class=judged.log_prior + share * odds)))
    return out


def _ranking(weighed: Weighed, pieces: Sequence[Piece]) -> Ranking:
    odds = combined_log_odds(pieces)
    posterior = posterior_of(tempered(odds, pieces[0].judgement.log_prior, weighed.kind), weighed.kind)
    found: dict[Key, float] = {("nothing", 0.0): posterior.nothing}
    for candidate, p in zip(pieces[0].judgement.candidates, posterior.candidate, strict=True):
        found[candidate.key] = found.get(candidate.key, 0.0) + float(p)
    return Ranking(found)


def _drive(
    case: Case, drive: Drive, rms: float, seconds: float, rng: np.random.Generator, tire_scale: float | None
) -> RoadTest:
    scenario = Scenario(
        drive, max(seconds, 12.0), RATE_HZ, faults=(Fault(*case.truth, rms),), tire_scale=tire_scale
    )
    return road_test(case.vehicle, scenario, rng)


def _as_drive(choice: DriveChoice) -> Drive:
    if choice.kind == "stand":
        return Drive("stand", engine_rpm=choice.engine_rpm)
    if choice.kind == "coast":
        return Drive("coast", (choice.from_mps, choice.to_mps))
    half = 0.5 * choice.duration_s
    gears = tuple((half * i, gear) for i, gear in enumerate(choice.gears))
    if choice.kind == "sweep":
        return Drive("sweep", (choice.from_mps, choice.to_mps, choice.from_mps), gears)
    return Drive("steady", (choice.from_mps,), gears)


def _moved(case: Case, choice: DriveChoice, first: RoadTest, rng: np.random.Generator) -> float:
    """Factor on the fault's strength: growth with its rate, and the luck of the body's response there."""
    part, order = case.truth
    probe = _drive(
        case, _as_drive(choice), 0.1, choice.duration_s, np.random.default_rng(1), first.truth.tire_scale
    )
    now, then = (float(np.mean(t.truth.frequency_hz(part, order))) for t in (probe, first))
    if now <= 0.0:
        return 1.0  # silent anyway
    away = float(np.log(now / then))
    sd = RESPONSE_LOG_SD * np.sqrt(2.0 * (1.0 - np.exp(-0.5 * (away / RESPONSE_LENGTH) ** 2)))
    return float(np.exp(healthy_of(case.vehicle, part, order).growth * away + sd * rng.normal()))


def _weighed(case: Case, recording: Recording, test: RoadTest, known: str, gear: int | None) -> Weighed:
    said = parse_speed_given(test.dash_text) if known == "dash" else None
    if said is not None and not said.steady:
        # a sweep by the dash: its course is not said, only its ends; an app that logs speed is what one would use
        said, recording = None, as_recording(test)
    return weigh(recording, case.vehicle, said, gear)


def _standing_piece(weighed: Weighed, recording: Recording, rpm: float) -> Piece:
    """A standstill weighed: the engine's sources along the engine speed held, road parts silent whoever is at fault."""
    signal = signal_of(recording)
    every = candidates_of(weighed.vehicle)
    own = [i for i, candidate in enumerate(every) if candidate.basis == "engine"]
    turns = np.arange(signal.samples.shape[1]) / signal.rate_hz * rpm / 60.0
    mid_s = np.asarray((np.arange(int(turns.size / signal.rate_hz / HOP_S)) + 0.5) * HOP_S, float)
    epsilon = np.asarray(np.arange(-40, 41) * 0.001, float)
    clock = Clock(turns, mid_s, np.full(mid_s.size, rpm / 60.0), epsilon, epsilon.size)
    floor = floor_of(signal)
    still = len(own)  # one road part, too slow to be read, since the search for courses needs one
    candidates = [*(every[i] for i in own), every[0]]
    tracks = [*(Track(i, 1, every[k].multiple) for i, k in enumerate(own)), Track(still, None, STILL)]
    doubt = RateDoubt(0.0, RPM_KNOWN_TO, 0.004, 0.002)
    scan = scan_tracks(signal, floor, clock, tracks)
    judged = judge(scan, candidates, doubt, floor, np.array([1.0]), signal.log_scale, given_gear=1)
    odds = judged.log_class - judged.log_prior
    prior = weighed.pieces[0].judgement.log_prior
    log_class = prior.copy()
    log_class[own] += (odds - odds[-1])[:still]
    return Piece(0.0, clock, doubt, Judgement(every, prior, log_class, ()), floor)


if __name__ == "__main__":
    sys.stdout.write(main(int(sys.argv[1]) if len(sys.argv) > 1 else 12) + "\n")
