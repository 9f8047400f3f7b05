"""Other profiles weighed against the typed one: another axle ratio, another tire, on the same stretch and scale.

Each is one more hypothesis about the same samples. With the typed profile at odds of one, the odds that one of the
others is right are

    O = sum_k p_k exp(l_k - l_typed),    p_k = PROFILE_WRONG / 20

where l is the log weight of all that a profile can say of the stretch: every part at fault and none, every course of
speed and gears, every healthy line that should be there, priors included. So an odd gear, a slipping converter or a
bent course of speed that the typed profile needs and another does not counts, and so do lines that it leaves over. What
the typed profile explains only with a wheel further off than tire and sensor can be is another tire's, no longer its
own: it counts with the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibeorder.diagnosis.analyse import Piece, Setting
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.judge import Hypothesis
from vibeorder.diagnosis.orderlines import OrderLine
from vibeorder.diagnosis.profile_rates import DOUBT, ProfileRates
from vibeorder.diagnosis.propose import BRISK, THOROUGH
from vibeorder.diagnosis.result import CLEARLY
from vibeorder.diagnosis.reweighing import log_weight, reweighed
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.solve_profile import Solution

__all__ = ["PROFILE_WRONG", "OtherProfile", "Stretch", "other_profile", "strained"]

PROFILE_WRONG = 0.05
"""How often a profile is wrong in what a strong line turns with: other tires, another axle, a slip of the finger (a
judgement, no source)."""

PRIOR_ODDS = float(np.log(PROFILE_WRONG) - np.log(20.0))
"""Log odds of one other profile: that the typed one is wrong, and that it is this one of some twenty."""

WORTH, ABOUT_BEST = -15.0, 20.0
"""Log odds, by few courses, from which other profiles are judged as thoroughly as the typed one was, and how far behind
the best of them each may be: few courses cost up to 17 of log odds."""

MOST_BEHIND = 60.0
"""A typed profile that has no course of its own is taken to be this far behind what it says with another tire."""

LOW_ORDER = 2.5
"""Up to here an order of what the wheels drive is a common fault; above, one lies near any rate."""

FAR_OFF = 2.0
"""How far off a line of what the wheels drive may lie, in sd of tire and speed sensor, to be explained with ease."""

BORNE_OUT = 25.0
"""Log evidence of other engine lines from which the gears, and with them the axle ratio, are borne out."""

EASY_SLIP = 0.03
"""Slip of the converter from which it is an effort."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """The stretch that other profiles are judged by. setting: with engine speed at its own samples.

    whole: the whole recording, judged as thoroughly as can be.
    """

    samples: Signal
    piece: Piece
    setting: Setting
    whole: bool


@dataclass(frozen=True, slots=True)
class OtherProfile:
    """The best of the other profiles. log_odds: that one of them is right. rival: the best of another kind (a tire
    beside an axle ratio), where that is nearly as good, else None."""

    solution: Solution
    log_odds: float
    rival: Solution | None


def other_profile(tried: Sequence[Solution], stretch: Stretch) -> OtherProfile | None:
    """What other profiles make of the stretch; None where there is none to try."""
    setting, piece = stretch.setting, stretch.piece
    typed, too_far = _typed(piece)

    def odds(one: Solution, thorough: bool) -> float:
        judged = reweighed(
            stretch.samples, piece, one.vehicle, setting.vehicle, setting, THOROUGH if thorough else BRISK
        )
        return log_weight(judged) - typed + PRIOR_ODDS

    found = [odds(one, False) for one in tried]
    best = max(found, default=-np.inf)
    if stretch.whole and best > WORTH:
        found = [
            max(brisk, odds(one, True)) if brisk > best - ABOUT_BEST else brisk
            for brisk, one in zip(found, tried, strict=True)
        ]
    if not tried:
        return None
    first, *rest = sorted(zip(found, tried, strict=True), key=lambda pair: -pair[0])
    near = [one for odd, one in rest if odd > first[0] - CLEARLY and one.what != first[1].what]
    return OtherProfile(
        first[1], float(np.logaddexp.reduce([*found, too_far - typed])), near[0] if near else None
    )


def _typed(piece: Piece) -> tuple[float, float]:
    """Log weight of the typed profile, and of what it explains only with another tire than the typed one."""
    near, far = [-np.inf], [-np.inf]
    for one in piece.judgement.hypotheses:
        off = abs(float(one.course.epsilon.mean()) - piece.doubt.mean)
        (near if off < DOUBT else far).append(float(np.logaddexp.reduce(one.log_class)))
    beyond = float(np.logaddexp.reduce(far))
    return max(float(np.logaddexp.reduce(near)), beyond - MOST_BEHIND), beyond


def strained(line: OrderLine, piece: Piece, rates: ProfileRates, gear: int | None) -> bool:
    """Whether the typed profile explains a line with effort only, so that others are worth judging it by.

    With ease: it lies where the profile has a low order of what the wheels drive, or, in gears that were told or that
    other engine lines bear out, an order of the engine without much slip. How far off it lies is reckoned from the
    wheels' own line, where that is seen. gear: held throughout, where told.
    """
    wheel = float(np.log(rates.scale)) if rates.scale_seen else piece.doubt.mean
    judgement = piece.judgement
    best = judgement.best_for(int(np.argmax(judgement.log_class)))
    index = int(np.argmax(best.log_class[:-1]))
    named = judgement.candidates[index]
    borne_out = gear is not None or _of_engine(best, judgement.candidates, index) > BORNE_OUT
    if named.basis == "wheel":
        low = named.order < LOW_ORDER or borne_out
        off = abs(float(np.log(line.order / named.multiple)) - wheel) / piece.doubt.sd
        return off > FAR_OFF or not low
    off = abs(float(best.course.epsilon.mean()) - wheel) / piece.doubt.sd
    slip = max((abs(v) for v in best.offsets.values()), default=0.0)
    return not borne_out or off > FAR_OFF or slip > EASY_SLIP


def _of_engine(hypothesis: Hypothesis, candidates: Sequence[Candidate], named: int) -> float:
    """Log evidence of the engine's lines beside the named one, those left out that the wheels may make."""
    found = 0.0
    for line in hypothesis.lines:
        if named in line.members or any(candidates[m].basis == "wheel" for m in line.members):
            continue
        found += max(0.0, *(line.reading_of(m).best for m in line.members))
    return found
