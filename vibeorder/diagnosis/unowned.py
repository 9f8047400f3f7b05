"""A rival of every part: something that keeps one frequency whatever turns.

A loose holder of the phone, a panel or a bracket of little damping is shaken by the road in a narrow band, a fan or a
pump makes a tone, and either lies on some part's track at some speed, all the more where the speed is known roughly.
With c the part that the recording speaks most for, on the course whose constant correction is e, the same line as
nobody's weighs

    ln P(nobody) = ln P(c) + ln(p(nothing) / p(c)) + ln p(nobody) + ln(A + B)
    A = (exp(l) + g) exp(-v^2 / (2 q^2) + (e - m)^2 / (2 s^2)) sqrt(2 pi) s / w
    B = exp(h - u^2 / (2 r^2)) (sqrt(2 pi) r + d) / w

A is something that shakes by itself. v: spread of ln(frequency) over the blocks by their power over the noise, against
a band's own width q: what moves with the speed is neither. l: log odds of noise against a line by how its strength and
phase come and go (`narrownoise`), bounded; g: how many tones there are over such bands. m, s: of the doubt in the
wheel's rate; w: width in ln(frequency) of where either may lie. A part has to lie where the speed puts it, these lie
anywhere: so a part gains what a place foretold is worth, and not where it is far from the one foretold.

B is something loose that magnifies a sound part's line: the line is where the part has it, and runs through a range d
of ln(frequency), into which what is loose has to fall. h: log odds of something loose by the hump of the noise about
where the line shakes most (`humps`); u: spread of ln(frequency) by the line's own power, against the width r in which
it is magnified. The rival counts as 'nothing that turns'.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Blocks, candidate_blocks
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.humps import hump_log_odds
from vibeorder.diagnosis.judge import Hypothesis, Judgement, Unowned
from vibeorder.diagnosis.narrownoise import PLACES, PLACES_HZ, ShortBlocks, nobodys_log_odds, on_own_axis
from vibeorder.diagnosis.propose import RateDoubt
from vibeorder.diagnosis.roadteeth import as_tooth

__all__ = ["OF_NOBODY", "TONES", "spoken_of", "with_unowned"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complexfloating]

OF_NOBODY = 0.05
"""How often, of the drives with no part at fault, something shakes in a narrow band as strongly as a complaint: mostly
the phone's own holder (a judgement, no source)."""

TONES = 0.4
"""Tones of fans and pumps that the profile does not list, over such bands (a judgement, no source)."""

BAND = 0.015
"""Sd of ln(frequency) within such a band, of a quality factor of 30."""

MAGNIFIES_WITHIN = 0.04
"""Sd of ln(frequency) within which it magnifies a line that runs through: to a third as much (a judgement)."""

ONE_PLACE = 0.02
"""Two parts' lines that show nearer than this, in ln(frequency), are one line under two names."""

SKIRT = 0.3
"""Share of a line's strength up to which the noise about it (of a third of an octave, both vector rms) may be its own
skirt, as where little else shakes; a hump of so little says nothing (a judgement, no source)."""

LIKELIER = 0.5
"""Probability of nothing, and share of the rival in it, from which it is spoken of."""

ASKED, BEHIND = 3, 4.0
"""How many of the likeliest parts are asked, and how far behind the likeliest (log weight)."""


def with_unowned(found: Judgement, doubt: RateDoubt, floor: Floor) -> Judgement:
    """The judgement, to whose 'nothing' the rival is added where any part is likelier than that."""
    log_class = found.log_class
    order = np.argsort(-log_class[:-1])[:ASKED]
    asked = [
        int(i) for i in order if log_class[i] > max(log_class[order[0]] - BEHIND, log_class[-1] - BEHIND)
    ]
    read = [one for i in asked if (one := _read(found, i, floor)) is not None]
    rivals = [_rival(found, one, _odds_there(read, one.seen_hz), doubt) for one in read]
    if not rivals:
        return found
    best = [max(rivals, key=lambda one: one.log_weight)]
    first = next((one for one in read if one.index == asked[0]), None)
    tooth = None if first is None else _tooth(found, first, doubt, floor)
    best += [] if tooth is None else [tooth]
    log_class = log_class.copy()
    log_class[-1] = np.logaddexp.reduce([log_class[-1], *(one.log_weight for one in best)])
    return replace(found, log_class=log_class, unowned=max(best, key=lambda one: one.log_weight))


def spoken_of(judgements: Sequence[Judgement], nothing: float) -> Unowned | None:
    """Narrow noise of nobody, or the road's joints, where nothing that turns is likeliest because of it; else None.

    nothing: its probability over all of these stretches.
    """
    if nothing < LIKELIER:
        return None
    shares = [
        (one.unowned.log_weight - float(one.log_class[-1]), one.unowned)
        for one in judgements
        if one.unowned is not None and (one.unowned.comes_and_goes or one.unowned.spacing_m > 0.0)
    ]
    share, found = max(shares, default=(-np.inf, None), key=lambda one: one[0])
    return found if share > np.log(LIKELIER) else None


@dataclass(frozen=True, slots=True)
class _Read:
    """One part's line in short blocks: where it shows, log odds of noise, what its moving costs the rival, and log odds
    of something loose that magnifies it, its place among them."""

    index: int
    hypothesis: Hypothesis
    seen_hz: float
    odds: float
    moves: float
    magnified: float
    blocks: Blocks


def _read(found: Judgement, index: int, floor: Floor) -> _Read | None:
    """The line of one part; None where none is read, or not where something of nobody's may lie."""
    one = found.best_for(index)
    line = next((line for line in one.lines if index in line.members), None)
    if line is None or one.keeps_one_rate(index):  # has its rival already
        return None
    reading = line.reading_of(index)
    if reading.best <= 0.0:
        return None
    blocks = _followed(found, one, [i for i in line.members if line.reading_of(i) is reading], floor)
    if blocks is None:
        return None
    seen_hz = float(np.median(blocks.folded_hz))
    if not PLACES_HZ[0] < seen_hz < PLACES_HZ[1]:
        return None
    shaken, over_noise = _over_noise(blocks)
    spread = _spread(blocks.folded_hz, over_noise)
    odds = nobodys_log_odds(shaken, blocks.weight)
    skirt = reading.band_noise_rms < SKIRT * reading.amplitude_rms
    power = over_noise * (blocks.noise**2).mean(axis=0)
    magnified = -np.inf if skirt else _magnified(blocks.folded_hz, blocks.weight, power, floor)
    return _Read(index, one, seen_hz, odds, -0.5 * (spread / BAND) ** 2, magnified, blocks)


def _followed(found: Judgement, one: Hypothesis, members: Sequence[int], floor: Floor) -> Blocks | None:
    """A line in short blocks by the one of its names that follows it best: another strays off it and makes it come and
    go."""
    along = ShortBlocks(one.scan, one.course)
    own = (i for i in members if i < len(found.candidates))
    read = (candidate_blocks(along, i, found.candidates[i], one.gears, one.offsets, floor) for i in own)
    return max(
        (one for one in read if one is not None),
        key=lambda one: float(_over_noise(one)[1].sum()),
        default=None,
    )


def _over_noise(blocks: Blocks) -> tuple[ComplexArray, FloatArray]:
    """Amplitude over noise on the line's own axis, and power beyond the noise's, as far as a block counts [shape
    (blocks,) both]."""
    shaken = on_own_axis(blocks.centre, blocks.noise, blocks.weight)
    return shaken, blocks.weight * np.maximum(np.abs(shaken) ** 2 - 1.0, 0.0)


def _magnified(frequency_hz: FloatArray, weight: FloatArray, power: FloatArray, floor: Floor) -> float:
    """Log odds of something loose that magnifies the line where it shakes most, and lies on its way [shape (blocks,)
    all]."""
    if power.sum() <= 0.0:
        return -np.inf
    log_hz = np.log(np.maximum(frequency_hz, 0.1))
    most_hz = float(np.exp(np.average(log_hz, weights=power)))
    way = float(np.ptp(np.percentile(log_hz[weight > 0.0], [5.0, 95.0])))
    place = float(np.log((np.sqrt(2.0 * np.pi) * MAGNIFIES_WITHIN + way) / PLACES))
    return (
        hump_log_odds(floor, most_hz) + place - 0.5 * (_spread(frequency_hz, power) / MAGNIFIES_WITHIN) ** 2
    )


def _odds_there(read: Sequence[_Read], seen_hz: float) -> float:
    """Log odds of noise at one place, by the name that follows its line best: under another it may stray off it."""
    return min(one.odds for one in read if abs(np.log(one.seen_hz / seen_hz)) < ONE_PLACE)


def _rival(found: Judgement, read: _Read, odds: float, doubt: RateDoubt) -> Unowned:
    """The line of one part, taken for nobody's."""
    kind = float(np.logaddexp(odds, np.log(TONES)))
    off = (read.hypothesis.constant - doubt.mean) / doubt.sd
    place = float(np.log(np.sqrt(2.0 * np.pi) * doubt.sd / PLACES)) + 0.5 * off**2
    prior = float(found.log_prior[-1] - found.log_prior[read.index]) + float(np.log(OF_NOBODY))
    alone = kind + place + read.moves
    weight = float(found.log_class[read.index]) + prior + float(np.logaddexp(alone, read.magnified))
    return Unowned(weight, read.seen_hz, odds > 0.0)


def _tooth(found: Judgement, read: _Read, doubt: RateDoubt, floor: Floor) -> Unowned | None:
    """The line of one part, taken for a tooth of the comb of a road's joints."""
    seen = as_tooth(found, read.index, read.blocks, floor, doubt)
    if seen is None:
        return None
    weight = float(found.log_class[read.index] + found.log_prior[-1] - found.log_prior[read.index])
    return Unowned(weight + seen.log_odds, read.seen_hz, False, seen.spacing_m)


def _spread(frequency_hz: FloatArray, share: FloatArray) -> float:
    """Sd of ln(frequency) over blocks that count by their share [shape (blocks,) both]."""
    if share.sum() <= 0.0:
        return 0.0
    log_hz = np.log(np.maximum(frequency_hz, 0.1))
    mean = float(np.average(log_hz, weights=share))
    return float(np.sqrt(np.average((log_hz - mean) ** 2, weights=share)))
