"""A rival of every part on a known speed: its line may be one tooth of the comb that a concrete road's joints make.

Every axle strikes every joint (`joints`), so there are lines at all multiples of speed over spacing, in step with the
wheels as a part's is. The body lifts one of them far above the others and two axles a wheelbase apart take some away,
so that the rest are often too weak to be found by themselves; but their places follow from the strong one's. With c the
part that the recording speaks most for, f its line, e the course's constant correction, and spacing s = k v / f where f
is tooth number k,

    ln P(joints) = ln P(c) + ln(p(nothing) / p(c)) + ln p(slabs)
                   + ln sum_k p(k) p(s) T(line) / F(line) prod_(j != k) T(j / k) - ln N(e; m, d)

p(s): density in ln(s), of usual spacings as the speed leaves them open and of any; N: the part's own place, whose
doubt d the speed has about m; F: the line as a complaint of the part, T: as a tooth. What keeps no step with the wheels
(an engine that shifts) is no tooth. The rival counts as 'nothing that turns'.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import gcd

import numpy as np

from vibeorder.diagnosis.amplitudes import HealthyPrior, complaint_from, line_evidence, one_digit
from vibeorder.diagnosis.blocks import Blocks, OnCourse, candidate_blocks
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.joints import SPACINGS_M, USUAL_SPACINGS_M
from vibeorder.diagnosis.judge import Hypothesis, Judgement
from vibeorder.diagnosis.propose import RateDoubt
from vibeorder.diagnosis.scan import SLOWEST_RATE_HZ, Bands, Track

__all__ = ["ToothSeen", "as_tooth"]

SLABS = 0.2
"""Share of drives on a road of slabs whose joints are felt (a judgement, no source)."""

USUAL, SPACING_SD = 0.6, 0.005
"""Share of such roads with a usual spacing, and sd of ln(spacing) about it: how well the saw kept to it."""

STRONGEST, TEETH = 8, 12
"""Up to which number the strongest tooth is looked for, and the others."""

BAND_HZ, BAND_SHARE = (2.5, 60.0), 0.45
"""Where teeth are read, at most up to that share of the sample rate."""

OTHERS_SHARE, PRESENCE, LOG_SD = 0.2, 0.7, 1.0
"""The other teeth's strength as a share of the strongest's, how surely each is there, and its spread in ln."""

BY_CHANCE = 0.07
"""How often something else, of an engine in another gear or of nothing that is listed, stands where a tooth would: a
place is half a hertz wide, and such lines some seven hertz apart (by hand). So one tooth more speaks for a comb ten to
one at most, and a line that is not of the comb does not make it."""

ABOVE_NEXT, STRONG_LOG_SD = 3.0, 0.8
"""How many times the next strongest the strongest tooth is, where it is as strong as a complaint, and the spread of
that in ln (judgements, no source)."""

CLEAR_FROM = 2.0
"""Log evidence from which another tooth shows."""

LEAST_HOPE = -1.5
"""Log evidence of all other teeth, by the frames against wheel angle, from which they are read one by one."""

IN_STEP = 0.01
"""How far (relative) a tooth may be off its order, for what the course leaves open; a shift moves an engine farther."""

STRAYS = 10.0
"""Percent of the blocks, at either end, in which it may be farther off."""

FOUND = 0.9
"""As SLABS, where a comb was found among the frames already."""

WHEEL_ORDERS = 6
ON_LINE_HZ, ON_LINE_SHARE = 0.4, 0.012
"""A tooth this near another line, a part's own or its multiples, tells nothing."""


@dataclass(frozen=True, slots=True)
class ToothSeen:
    """A line taken for a tooth: its log odds against the part at fault, their priors apart, and the joints' spacing."""

    log_odds: float
    spacing_m: float


def as_tooth(
    found: Judgement, index: int, blocks: Blocks, floor: Floor, doubt: RateDoubt
) -> ToothSeen | None:
    """What speaks for a tooth of a road's joints in place of candidate `index`, on its best hypothesis.

    blocks: its line. doubt: in the wheel's rate. None where the line can be no tooth, or no other shows.
    """
    one = found.best_for(index)
    comb = _Comb.beside(one, found.candidates, index, blocks, floor)
    if comb is None:
        return None
    fault = line_evidence(
        comb.strong.log_likelihood,
        [(found.candidates[index].healthy, "fault")],
        felt_from=complaint_from(comb.strong.band_noise_rms),
    )
    nominal_m = one.scan.joints.circumference_m / (comb.order * (1.0 + one.constant))
    weighed = [
        (teeth + _place(k * nominal_m, doubt), k * nominal_m)
        for k in comb.numbers
        if (teeth := comb.log_evidence(k)) is not None
    ]
    if not weighed:
        return None
    prior = FOUND if one.scan.joints.found else SLABS
    total = float(np.logaddexp.reduce([odds for odds, _ in weighed]) + np.log(prior / STRONGEST))
    own_place = _log_normal(one.constant, doubt.mean, doubt.sd)
    return ToothSeen(total - fault - own_place, max(weighed)[1] * (1.0 + doubt.mean))


@dataclass(frozen=True, slots=True)
class _Comb:
    """The strong line, of `order` shakes per turn of the wheel, and all else that may be a tooth beside it.

    numbers: of teeth that the strong line may be. read: the others by their order as a share of the strong one's.
    """

    strong: Reading
    order: float
    numbers: tuple[int, ...]
    read: Mapping[Fraction, Reading]

    @classmethod
    def beside(
        cls, one: Hypothesis, candidates: Sequence[Candidate], index: int, blocks: Blocks, floor: Floor
    ) -> "_Comb | None":
        """Read along one hypothesis' course; None where there is nothing to read."""
        strong = next(line.reading_of(index) for line in one.lines if index in line.members)
        along = OnCourse(one.scan, one.course)
        order = _order(blocks, along)
        if order is None or not isinstance(one.scan.bands, Bands):
            return None
        rate_hz, joints = float(np.median(along.wheel_hz)), one.scan.joints
        top_hz = min(BAND_HZ[1], BAND_SHARE * floor.sample_rate_hz)
        told = _told(one, index, rate_hz, order)
        others = {
            k: [p for p in _others(k) if BAND_HZ[0] < float(p) * order * rate_hz < top_hz and told(float(p))]
            for k in range(1, STRONGEST + 1)
            if SPACINGS_M[0] < joints.circumference_m * k / order < SPACINGS_M[1]
        }
        off = float(np.median(along.wheel_hz / np.maximum(along.nominal_hz, 1e-3)))
        numbers = tuple(
            k
            for k, places in others.items()
            if joints.hints_at([float(p) * order * off for p in places]) > LEAST_HOPE
        )
        if not numbers:
            return None
        places = sorted({p for k in numbers for p in others[k]})
        return cls(strong, order, numbers, _read(one, one.scan.bands, candidates, order, places, floor))

    def log_evidence(self, number: int) -> float | None:
        """Of the strong line as that tooth and of all others beside it; None where none other shows, or those that do
        make a comb of wider teeth."""
        others = {
            int(p * number): reading for p in _others(number) if (reading := self.read.get(p)) is not None
        }
        clear = [j for j, reading in others.items() if reading.best > CLEAR_FROM]
        if not clear or gcd(number, *clear) > 1:
            return None
        usual_rms = one_digit(OTHERS_SHARE * self.strong.amplitude_rms)
        tooth, chance = (HealthyPrior(p, usual_rms, LOG_SD, strays=False) for p in (PRESENCE, BY_CHANCE))
        next_rms = max(others[j].amplitude_rms for j in clear)
        strongest = HealthyPrior(1.0, one_digit(ABOVE_NEXT * next_rms), STRONG_LOG_SD, strays=False)
        each = [_over(reading, tooth, chance) for reading in others.values()]
        return sum(each) + line_evidence(self.strong.log_likelihood, [(strongest, "healthy")])


def _order(blocks: Blocks, along: OnCourse) -> float | None:
    """Shakes per turn of the wheel where the line shows, folded or not; None where that does not stay."""
    wheel_hz = np.interp(blocks.mid_s, along.cut[1], along.wheel_hz)
    use = (blocks.weight > 0.0) & (wheel_hz > SLOWEST_RATE_HZ)
    if not use.any():
        return None
    order = blocks.folded_hz[use] / wheel_hz[use]
    low, middle, high = np.percentile(order, [STRAYS, 50.0, 100.0 - STRAYS])
    return float(middle) if np.log(high / low) < 2.0 * IN_STEP else None


def _others(number: int) -> list[Fraction]:
    """Orders of the other teeth, as a share of the one of that number."""
    return [Fraction(j, number) for j in range(1, TEETH + 1) if j != number]


def _told(one: Hypothesis, index: int, rate_hz: float, order: float) -> Callable[[float], bool]:
    """Whether a tooth, at a share of the strong line's order, would be away from all that turns and its multiples."""
    clear = [
        line.reading_of(i).frequency_hz
        for line in one.lines
        for i in line.members
        if i != index and line.reading_of(i).best > CLEAR_FROM
    ]
    wheels = rate_hz * np.arange(1.0, WHEEL_ORDERS + 1)
    parts = rate_hz * np.array([t.multiple for t in one.scan.tracks if t.gear is None])
    lines = np.concatenate([np.array(clear), wheels, parts])

    def away(share: float) -> bool:
        hz = share * order * rate_hz
        return (2.0 * share) % 1.0 > 0.0 and bool(
            (np.abs(lines - hz) > ON_LINE_HZ + ON_LINE_SHARE * hz).all()
        )

    return away


def _read(
    one: Hypothesis,
    bands: Bands,
    candidates: Sequence[Candidate],
    order: float,
    places: Sequence[Fraction],
    floor: Floor,
) -> dict[Fraction, Reading]:
    """Lines at these shares of an order of the wheel along the hypothesis' course, of the same strength at any speed: a
    joint strikes as it may."""
    wheel = next(c for c in candidates if c.basis == "wheel")
    flat = replace(wheel, source=replace(wheel.source, growth=0.0))
    tracks = tuple(Track(i, None, float(p) * order) for i, p in enumerate(places))
    scan = replace(one.scan, tracks=tracks, evidence=(), votes=(), ratio=(), bands=bands.on(tracks))
    along = OnCourse(scan, replace(one.course, anchor=None))
    read = {p: candidate_blocks(along, i, flat, None, {}, floor) for i, p in enumerate(places)}
    return {p: blocks.read_whole() for p, blocks in read.items() if blocks is not None}


def _place(nominal_m: float, doubt: RateDoubt) -> float:
    """Log density, in ln(spacing), of joints that are so far apart at the nominal speed."""
    wide = float(np.hypot(doubt.sd, SPACING_SD))
    usual = np.logaddexp.reduce(
        [_log_normal(float(np.log(one / nominal_m)), doubt.mean, wide) for one in USUAL_SPACINGS_M]
    ) - np.log(len(USUAL_SPACINGS_M))
    free = -np.log(np.log(SPACINGS_M[1] / SPACINGS_M[0]))
    return float(np.logaddexp(np.log(USUAL) + usual, np.log(1.0 - USUAL) + free))


def _log_normal(value: float, mean: float, sd: float) -> float:
    return float(-0.5 * ((value - mean) / sd) ** 2 - np.log(np.sqrt(2.0 * np.pi) * sd))


def _over(reading: Reading, one: HealthyPrior, other: HealthyPrior) -> float:
    """Log evidence of a line for one prior of its strength over another."""
    a, b = (line_evidence(reading.log_likelihood, [(prior, "healthy")]) for prior in (one, other))
    return a - b
