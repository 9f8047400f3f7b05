"""What was so before the recording, who else could own the line, and what speaks for nothing at all."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import complaint_from
from vibeorder.diagnosis.analyse import SHAKE_BAND_HZ
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.explanation import Explanation, Finding, Said, parted
from vibeorder.diagnosis.judge import Judgement
from vibeorder.diagnosis.result import LineSeen, Suspect
from vibeorder.diagnosis.twins import on_one_line, readings_of, seen_hz
from vibeorder.diagnosis.why_words import PEAK, STANDS, WORTH_A_WORD, hz, odds, size

__all__ = ["Heard", "courses_said", "nothing_explained", "prior_said", "rival_said"]

FloatArray = NDArray[np.float64]


def prior_said(log_prior: FloatArray, indices: Sequence[int]) -> Said:
    """How often such a complaint comes, before listening; weighed against nothing. indices: of one (part, order)."""
    share = float(np.exp(np.logaddexp.reduce(log_prior[list(indices)])))
    nothing = float(np.exp(log_prior[-1]))
    weight = float(np.log(share / nothing))
    finding = Finding(
        "prior",
        f"Before listening, this is at fault in {_per_hundred(share)} of 100 such recordings, nothing that turns in "
        f"{_per_hundred(nothing)}.",
        weight,
        (("share", share), ("nothing", nothing)),
    )
    return (1 if weight > 0 else -1), finding


def rival_said(judgement: Judgement, scaled: FloatArray, index: int, sample_rate_hz: float) -> Said:
    """Which other explanation takes this line, and at what odds; else who is the next likeliest of all."""
    candidates = judgement.candidates
    own = seen_hz(judgement.best_for(index), index, sample_rate_hz)
    stands = any(reading.best > STANDS for reading in readings_of(judgement.best_for(index).lines, index))
    others = [
        j
        for j in range(len(candidates))
        if candidates[j].key != candidates[index].key and np.isfinite(scaled[j])
    ]
    if not others:
        return 0, Finding("rival", "No other part could be judged.")
    on_it = [j for j in others if on_one_line(own, seen_hz(judgement.best_for(j), j, sample_rate_hz))]
    rival = max(on_it or others, key=lambda j: float(scaled[j]))
    weight = float(scaled[index] - scaled[rival])
    name = candidates[rival].source.label
    lead = "ahead of it" if weight > 0 else "behind it"
    could = "The same line could be" if stands else "At the same place would run"
    says = (
        f"{could} the {name}; this one is {lead} by {odds(weight)}."
        if on_it
        else f"No other part's line can be laid on this one. The likeliest other suspect is the {name}; this one is "
        f"{lead} by {odds(weight)}."
    )
    finding = Finding("rival", says, weight, (("log_odds", weight), ("same_line", float(bool(on_it)))))
    return (0 if abs(weight) < WORTH_A_WORD else 1 if weight > 0 else -1), finding


def courses_said(weight: float) -> Said | None:
    """What is left of the log odds: other readings of speed and gears, other stretches of a long drive."""
    if abs(weight) < WORTH_A_WORD:
        return None
    finding = Finding(
        "courses",
        "Other readings of speed and gears that fit add to it."
        if weight > 0
        else "It needs speed and gears to be read its way; the readings that fit best are others.",
        weight,
    )
    return (1 if weight > 0 else -1), finding


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard of everything: the judgement, tempered log weights (nothing last), and how strong the shake is.

    shake_rms: of all, from 2 to 80 Hz.
    """

    judgement: Judgement
    scaled: FloatArray
    shake_rms: float
    relative: bool


def nothing_explained(
    heard: Heard, suspects: Sequence[Suspect], probability: float, lines: Sequence[LineSeen] | None
) -> Explanation:
    """What speaks for and against 'nothing that turns is at fault'.

    lines: of the averaged spectrum; None where the speed moved, so that it smears every line.
    """
    unit = "relative" if heard.relative else "m/s^2"
    log_prior = heard.judgement.log_prior
    log_odds = float(heard.scaled[-1] - np.logaddexp.reduce(heard.scaled[:-1]))
    prior = float(log_prior[-1] - np.logaddexp.reduce(log_prior[:-1]))
    said = [
        _before(log_prior, prior),
        _all_heard(log_odds - prior),
        _strongest(heard),
        _ahead(suspects, log_odds),
    ]
    said += [] if lines is None else [_unnamed(lines, unit)]
    return Explanation("nothing that turns", "", 0.0, probability, unit, log_odds, *parted(said))


def _before(log_prior: FloatArray, weight: float) -> Said:
    share = float(np.exp(log_prior[-1]))
    sentence = (
        f"Before listening, {_per_hundred(share)} of 100 such recordings have no part at fault, "
        f"{_per_hundred(1.0 - share)} have one."
    )
    return (1 if weight > 0 else -1), Finding("prior", sentence, weight, (("nothing", share),))


def _all_heard(weight: float) -> Said:
    which = "for" if weight > 0 else "against"
    sentence = f"What was heard, all parts together, speaks {which} nothing being wrong, {odds(weight)}."
    return (1 if weight > 0 else -1), Finding("evidence", sentence, weight)


def _strongest(heard: Heard) -> Said:
    """The strongest standing line of any part against a complaint, and what all of them make of the shake."""
    judgement = heard.judgement
    best = judgement.hypotheses[0]
    standing: list[tuple[Candidate, Reading]] = []
    known: list[Reading] = []
    for i, candidate in enumerate(judgement.candidates):
        reading = next(iter(readings_of(best.lines, i)), None)
        if reading is not None and reading.best > STANDS and not any(reading is one for one in known):
            standing.append((candidate, reading))
            known.append(reading)
    if not standing:
        return 1, Finding("strength", "No part's line stands out of the noise at all.")
    candidate, reading = max(standing, key=lambda pair: pair[1].amplitude_rms)
    felt_from = complaint_from(reading.band_noise_rms)
    power = sum(
        one.amplitude_rms**2 for one in known if SHAKE_BAND_HZ[0] < one.frequency_hz < SHAKE_BAND_HZ[1]
    )
    share = power / max(heard.shake_rms**2, 1e-12)
    of_shake = f"All standing lines together are {100 * share:.0f}% of the shake's power from 2 to 80 Hz."
    values = (
        ("amplitude", PEAK * reading.amplitude_rms),
        ("complaint_from", PEAK * felt_from),
        ("share_of_power", share),
    )
    if heard.relative:
        return 0, Finding("strength", "No scale, so no strength can be held against anything.")
    strong = reading.amplitude_rms > felt_from
    sentence = (
        f"The strongest line that any part has is the {candidate.source.label} with "
        f"{size(PEAK * reading.amplitude_rms, 'm/s^2')} peak; complaints begin near {size(PEAK * felt_from, 'm/s^2')}. "
        f"{of_shake}"
    )
    return (-1 if strong else 1), Finding("strength", sentence, values=values)


def _ahead(suspects: Sequence[Suspect], log_odds: float) -> Said:
    """How all suspects together stand against nothing."""
    if not suspects:
        return 1, Finding("rival", "The vehicle profile names no part that could be judged.")
    lead = max(suspects, key=lambda s: s.probability)
    which = "ahead" if log_odds > 0 else "behind"
    return (1 if log_odds > 0 else -1), Finding(
        "rival",
        f"Against all suspects together it is {which} by {odds(log_odds)}; the likeliest of them is the {lead.label}.",
        log_odds,
    )


def _unnamed(lines: Sequence[LineSeen], unit: str) -> Said:
    """The strongest line of the averaged spectrum that no part's rate explains."""
    named = max((one.amplitude for one in lines if one.name), default=0.0)
    loose = max((one for one in lines if not one.name), key=lambda one: one.amplitude, default=None)
    if loose is None:
        return 0, Finding("line", "Every line of the averaged spectrum lies where some part's rate is.")
    side = 1 if loose.amplitude > named else 0
    return side, Finding(
        "line",
        f"The strongest line of the averaged spectrum where no part's rate is: {hz(loose.frequency_hz)} with "
        f"{size(loose.amplitude, unit)} peak; the strongest that has a part's name: {size(named, unit)}.",
        values=(("frequency_hz", loose.frequency_hz), ("amplitude", loose.amplitude), ("named", named)),
    )


def _per_hundred(share: float) -> str:
    return f"{100.0 * share:.0f}" if share >= 0.095 else f"{100.0 * share:.1f}"
