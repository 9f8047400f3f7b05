"""The joints of a concrete road: equally spaced, they shake in step with the wheels without being a part of them.

Every axle strikes every joint and rings the body. Against the wheel's angle that makes lines at every multiple of

    b = rolling circumference / spacing of the joints

shakes a wheel turn. R, the mean over frames of power over noise against wheel orders, tells whether there are such
lines: each member of the comb gives the log evidence of its place holding more than noise, bounded, less what an
empty place gives on average. The strongest member is left out of the sum: one line may be any part's. Two axles a
wheelbase apart take some members away, so none is required.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import HealthyPrior
from vibeorder.diagnosis.wheelframes import WheelFrames
from vibeorder.spectrum.middle import power_of

__all__ = ["BELOW_WHEEL", "NO_JOINTS", "Joints", "find_joints"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

USUAL_SPACINGS_M = (4.57, 5.0, 6.1)
"""15 ft, 5 m and 20 ft: what plain concrete is cut at (common practice, no source)."""

USUAL_REACH, REACH_SDS = 0.01, 2.0
"""How far from a usual spacing it may come out: how well the saw kept to it, and the speed's scale, in sd of its doubt,
where that is known worse."""

SPACINGS_M = (3.9, 12.5)
"""Any spacing between these may be found, on more evidence."""

FROM_USUAL, FROM_ANY = 2.0, 6.0
"""Log evidence, without the strongest member, from which a comb is believed: at a usual spacing, at any."""

MEMBERS = 8
"""Members looked for: the speed's own wander smears those beyond."""

BAND_HZ = (2.5, 60.0)
MEMBER_CAP, MEMBER_COST = 8.0, 0.4
"""Bound of one member's log evidence, and what it costs to claim one."""

SHARE = 0.5
INDEPENDENT = 0.6
"""Share of the log evidence that counts, and of half-overlapped frames that are independent."""

FRAME_CAP = 12.0
OUTLIER = 3.0
"""Members count with at most this many times their median."""

ORDER_STEP = 0.004
SPACING_STEP = 0.002
LEAST_FRAMES = 3
OWN_BINS, OWN_SCALE = 2.0, 0.008
"""A member this near an order of the vehicle's own road-speed parts says nothing: in bins of a frame, and as a share
of the order, since the speed's scale is not known better."""

THIRD_FROM = 0.4
"""Log evidence that the third strongest member must hold: two lines may be an engine's first two."""

LOW_FROM = 3.0
"""Log evidence from which a member below the wheels' rate, where no part turns, stands in for the third."""

SHOWS_FROM = 1.0
"""Log evidence from which a member is seen and its place casts no vote on courses and gears."""

VOTE_WIDTH_HZ = 0.4
"""Half width about a member in which no votes are cast."""

BELOW_WHEEL = 0.95
"""Shakes per wheel turn below which a line is the road's or the body's: nothing of the drivetrain turns slower."""

SAID_FROM = 4
"""Members that must be seen until the joints are spoken of, one of them below the wheels' rate."""

LEAST_RESPONSE = 0.3
"""A line whose blocks see less than this of a member is not on it."""

MOSTLY_ALONG = 0.5
"""Share of a line's blocks on one member from which it runs along it and does not merely cross it."""

PRESENCE, LOG_SD = 0.8, 0.6
"""How surely a member adds to a line on it, and how far from its expected strength, in ln."""

STRENGTH_STEP = 0.1
"""Expected strengths are rounded to this in ln, so that the priors made from them can be kept."""


@dataclass(frozen=True, slots=True)
class Joints:
    """A comb that was found: base shakes per nominal wheel turn (0: none).

    orders: of the members, in shakes per nominal wheel turn. strength: vector rms to expect of each, in the
    recording's own unit, from how much the others stand out. shows: whether each is seen [shape (members,) all].
    hints: log evidence of a member at every order, a comb found or not [every ORDER_STEP from 0]. circumference_m: of
    the tires; 0 where no joints were looked for.
    """

    base: float
    orders: FloatArray
    strength: FloatArray
    shows: BoolArray
    hints: FloatArray = field(default_factory=lambda: np.zeros(0))
    circumference_m: float = 0.0

    def hints_at(self, orders: Sequence[float]) -> float:
        """Log evidence of members at all of these orders together."""
        at = np.round(np.asarray(orders) / ORDER_STEP).astype(np.intp)
        return float(self.hints[at[at < self.hints.size]].sum())

    @property
    def found(self) -> bool:
        """Whether there are any."""
        return self.base > 0.0

    @property
    def sure(self) -> bool:
        """Whether so many are seen that it can be said: an engine's and the wheels' own lines lie on two or three teeth
        of many a comb, but not on one below the wheels' rate besides."""
        seen = np.flatnonzero(self.shows) + 1
        below = bool((self.orders[self.shows] < BELOW_WHEEL).any())
        return seen.size >= SAID_FROM and below and int(np.gcd.reduce(seen)) == 1

    def silent(self, order: FloatArray, rate_hz: FloatArray) -> BoolArray:
        """Where a line at `order` of a wheel turning at `rate_hz` runs on a member that is seen [their shape]."""
        if not self.shows.any():
            return np.zeros(np.broadcast(order, rate_hz).shape, bool)
        seen = self.orders[self.shows]
        near = seen[np.abs(order[..., None] - seen).argmin(axis=-1)]
        return np.asarray(np.abs(order - near) * rate_hz < VOTE_WIDTH_HZ)

    def crossed(self, seen_hz: FloatArray, rate_hz: FloatArray, weight: FloatArray) -> BoolArray:
        """The blocks in which a line read at `seen_hz` crosses a member that is seen; none where it runs along one.

        rate_hz: nominal wheel's, weight: of the blocks [shape (blocks,) all, and the result].
        """
        if not self.sure or weight.sum() <= 0.0:
            return np.zeros(seen_hz.size, bool)
        off_hz = np.abs(self.orders[self.shows][:, None] * rate_hz - seen_hz)
        # what it moves against the member from one half-overlapped block to the next is smeared over both
        reach = VOTE_WIDTH_HZ + np.abs(np.gradient(off_hz, axis=1))
        on = (off_hz < reach).any(axis=0)
        along = ((off_hz < VOTE_WIDTH_HZ) @ weight).max() > MOSTLY_ALONG * weight.sum()
        return np.zeros(seen_hz.size, bool) if along else np.asarray(on)

    def beside(
        self, seen_hz: FloatArray, rate_hz: FloatArray, weight: FloatArray, block_s: float
    ) -> HealthyPrior | None:
        """What the joints add to a line read in blocks at `seen_hz`, None where it does not run on a member.

        rate_hz: nominal wheel's, weight: of the blocks [shape (blocks,) all].
        """
        if not self.found or weight.sum() <= 0.0:
            return None
        off_bins = np.abs(self.orders[:, None] * rate_hz - seen_hz) * block_s
        nearest = int(((off_bins < 1.0) @ weight).argmax())
        power = float((_hann(off_bins[nearest]) ** 2 * weight).sum() / weight.sum())
        if power < LEAST_RESPONSE**2 or self.strength[nearest] <= 0.0:
            return None
        log_strength = np.log(self.strength[nearest] * np.sqrt(power))
        median = float(np.exp(STRENGTH_STEP * np.round(log_strength / STRENGTH_STEP)))
        return HealthyPrior(PRESENCE, median, LOG_SD)


NO_JOINTS = Joints(0.0, np.zeros(0), np.zeros(0), np.zeros(0, bool))


def find_joints(
    frames: WheelFrames,
    ratio: NDArray[np.float32],
    own_orders: FloatArray,
    circumference_m: float,
    sample_rate_hz: float,
    speed_sd: float = 0.0,
) -> Joints:
    """The comb of equally spaced joints in one stretch, or none of its members.

    ratio: power over noise, summed over channels, of the frames [shape (frames, bins)]. own_orders: shakes per
    wheel turn of the vehicle's own road-speed parts. speed_sd: relative doubt in the speed.
    """
    channels = frames.spectra.shape[0]
    use = (frames.cover > 0.9) & (frames.turns > frames.frame_s)
    if use.sum() < LEAST_FRAMES:
        return NO_JOINTS
    top_hz = min(BAND_HZ[1], 0.45 * sample_rate_hz, float(frames.frequency_hz[ratio.shape[1] - 1]))
    turns = frames.turns[use]
    order = np.arange(0.0, top_hz * frames.frame_s / float(turns.min()), ORDER_STEP)
    mean, count = _over_orders(ratio[use] / channels, turns, order, frames.frame_s, top_hz)
    evidence = _evidence(mean, count * channels * INDEPENDENT)
    own = np.concatenate([own_orders, np.arange(1.0, 7.0)])
    reach = OWN_BINS / float(np.median(turns)) + OWN_SCALE * own
    near_own = (np.abs(order[:, None] - own) < reach).any(axis=1)
    evidence[near_own] = 0.0
    base = _best_base(evidence, circumference_m, speed_sd)
    if base is None:
        return replace(NO_JOINTS, hints=evidence, circumference_m=circumference_m)
    at = _places(np.array([base]), order.size)[0]
    at = at[(at < order.size) & (count[np.minimum(at, order.size - 1)] >= LEAST_FRAMES)]
    power = power_of(frames.spectra[:, use, : ratio.shape[1]]).sum(axis=0)
    noise = _over_orders(power / (ratio[use] / channels), turns, order, frames.frame_s, top_hz, np.inf)[0]
    excess = np.where(near_own, np.nan, np.maximum(mean - 1.0, 0.0))[at]
    expected = np.array([_rest(excess, k) for k in range(at.size)])
    strength = np.sqrt(0.5 * noise[at] * expected)
    shows = np.asarray(evidence[at] > SHOWS_FROM)
    return Joints(base, order[at], strength, shows, evidence, circumference_m)


def _over_orders(
    values: NDArray[np.floating],
    turns: FloatArray,
    order: FloatArray,
    frame_s: float,
    top_hz: float,
    cap: float = FRAME_CAP,
) -> tuple[FloatArray, FloatArray]:
    """Mean over frames at each order, and how many frames had it within the band [shape (orders,) each]."""
    total, count = np.zeros(order.size), np.zeros(order.size)
    bins = np.arange(values.shape[1])
    for row, turned in zip(np.minimum(values, cap), turns, strict=True):
        at = order * turned
        inside = (at > BAND_HZ[0] * frame_s) & (at < top_hz * frame_s)
        total += np.where(inside, np.interp(at, bins, row), 0.0)
        count += inside
    return total / np.maximum(count, 1.0), count


def _evidence(mean: FloatArray, freedom: FloatArray) -> FloatArray:
    """Bounded log evidence of a member at each order, less what claiming one costs; 0 where nothing is known."""
    more = np.maximum(mean, 1.0)
    gain = np.minimum(SHARE * freedom * (more - 1.0 - np.log(more)), MEMBER_CAP) - MEMBER_COST
    return np.where(freedom > 0.0, gain, 0.0)


def _places(base: FloatArray, orders: int) -> NDArray[np.intp]:
    """Index of each member among the orders, `orders` where beyond [shape (bases, MEMBERS)]."""
    at = np.round(base[:, None] * np.arange(1, MEMBERS + 1) / ORDER_STEP).astype(np.intp)
    return np.minimum(at, orders)


def _best_base(evidence: FloatArray, circumference_m: float, speed_sd: float) -> float | None:
    """The base whose members hold most evidence, if it is enough."""
    reach = max(USUAL_REACH, REACH_SDS * speed_sd)
    near = np.arange(-reach, reach + 1e-9, SPACING_STEP)
    from_usual = FROM_USUAL + float(np.log(reach / USUAL_REACH))
    usual = circumference_m / (np.array(USUAL_SPACINGS_M)[:, None] * (1.0 + near)).ravel()
    low, high = circumference_m / SPACINGS_M[1], circumference_m / SPACINGS_M[0]
    free = np.exp(np.arange(np.log(low), np.log(high), SPACING_STEP))
    best: tuple[float, float] | None = None
    for bases, needed in ((usual, from_usual), (free, FROM_ANY)):
        places = _places(bases, evidence.size)
        held = np.append(evidence, 0.0)[places]
        below = np.where(places * ORDER_STEP < BELOW_WHEEL, held, 0.0).max(axis=1)
        ranked = np.sort(held, axis=1)
        rest, third = ranked[:, :-1].sum(axis=1), ranked[:, -3]
        # the strongest member counts in choosing among bases, not in believing one
        believed = (rest > needed) & ((third > THIRD_FROM) | (below > LOW_FROM))
        total = np.where(believed, held.sum(axis=1) - needed, -np.inf)
        i = int(total.argmax())
        if np.isfinite(total[i]) and (best is None or total[i] > best[0]):
            best = (float(total[i]), float(bases[i]))
    return None if best is None else best[1]


def _rest(excess: FloatArray, k: int) -> float:
    """Power over noise of the other members that can be told, as a guess at member k's: their mean, bounded.

    By three times their median, so that one strong line of a part on one of them says nothing of the rest.
    """
    others = np.delete(excess, k)
    others = others[np.isfinite(others)]
    return float(np.minimum(others, OUTLIER * np.median(others)).mean()) if others.size else 0.0


def _hann(off_bins: FloatArray) -> FloatArray:
    """Response of a Hann block to a line off its centre, 1 on it (Harris 1978); 0 beyond the main lobe."""
    inside = off_bins < 1.95
    x = np.where(inside, off_bins, 0.5)
    x = np.where(np.abs(x - 1.0) < 1e-3, 1.001, x)
    return np.where(inside, np.sinc(x) / (1.0 - x**2), 0.0)
