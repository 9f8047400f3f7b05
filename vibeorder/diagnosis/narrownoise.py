"""Whether a strong line comes and goes as narrow noise does, or stays as a turning part's does.

A resonance of little damping that the road shakes - the phone's own holder, a loose panel - is a band of noise some
tenths of a hertz wide. Over minutes it looks like a line, but its strength is that of noise. Read in blocks b of a
second on the axis along which it shakes, amplitude y_b over that of the noise beside it (variance 1), either has

    |y_b|^2 ~ noncentral, steady part P_b v_b  (Rice 1945, Bell System Technical Journal 24)

ln P_b walks: roads change, and so does the body's response along the drive; at times it is another from then on. A
part's line has v_b = 1. Narrow noise of width B has v_b the squared magnitude of a complex Gaussian process that
forgets in 1 / (pi B), so that v_b is exponential, and from block to block with r = exp(-pi B dt)

    p(v' | v) = exp(-(v' + r^2 v) / (1 - r^2)) I0(2 r sqrt(v v') / (1 - r^2)) / (1 - r^2)

Both likelihoods are summed over all courses of P_b and v_b (forward recursion on a grid). Phases are not used here;
what they say comes on top (`steadyphase`).
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import i0e

from vibeorder.diagnosis.blocks import NEEDED_COVER, SIDE_HZ, OnCourse
from vibeorder.diagnosis.evidence import MAIN_LOBE, whiten
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.steadyphase import phase_log_odds
from vibeorder.spectrum.baseband import block_spectra, demodulate

__all__ = [
    "PLACES",
    "PLACES_HZ",
    "SHORT_S",
    "ShortBlocks",
    "nobodys_log_odds",
    "noise_log_odds",
    "noise_log_odds_along",
    "on_own_axis",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complexfloating]

PLACES, PLACES_HZ = 3.0, (3.0, 60.0)
"""Width in ln(frequency) of where a line of no part may lie, 3 to 60 Hz, anywhere alike."""

SHORT_S = 1.0
"""Length of a block, which do not overlap: about as long as a band of 0.3 Hz keeps its strength."""

WIDTHS_HZ = (0.3, 0.6, 1.0)
"""Widths of such a band, alike likely: quality factors of 20 to 60 between 10 and 30 Hz (judgement, no source). In a
narrower one a minute holds too little coming and going to be told from two lines that beat."""

LEVELS: FloatArray = np.linspace(np.log(0.02), np.log(3000.0), 41)
"""Grid of ln P."""

STRENGTHS: FloatArray = np.linspace(np.log(0.004), np.log(8.0), 18)
"""Grid of ln v."""

LINE_DRIFTS, NOISE_DRIFTS = (0.1, 0.2, 0.4), (0.2,)
"""Sd of the change of ln P in a second: a line's strength stays for minutes, or follows load, hills and the body's
modes within seconds; a road's roughness changes in tens of seconds. Alike likely
(judgements)."""

JUMPS = 0.03
"""Chance in a second that ln P is another from then on: another gear than was thought, another road (a judgement)."""

UNEVEN, LOST = 0.02, 0.05
"""Variance of a line within a block over its power, from what its course leaves open; and the share of blocks that are
not read well: a bump, a change of gear, a line that crosses (judgements, no source)."""

LEAST_BLOCKS, SPEAKS_FROM = 8, 0.3
BAND_RATE_HZ = 24.0

MOST = 10.0
"""Most log odds either way that the coming and going of a line's strength gives."""


class ShortBlocks(OnCourse):
    """A recording read along a course in short blocks that do not overlap."""

    @property
    def cut(self) -> tuple[float, FloatArray]:
        """Length of a block, and the blocks' middles."""
        last_s = float(self.scan.clock.mid_s[-1])
        return SHORT_S, np.arange(0.5 * SHORT_S, last_s + 0.5 - 0.5 * SHORT_S + 1e-6, SHORT_S)


def on_own_axis(centre: ComplexArray, noise: FloatArray, weight: FloatArray) -> ComplexArray:
    """Amplitude over noise on the axis along which the line shakes [shape (blocks,)].

    centre, noise: [shape (channels, blocks)]; weight: 0 leaves a block out [shape (blocks,)].
    """
    y = centre / noise
    use = y[:, weight > SPEAKS_FROM]
    _, axes = np.linalg.eigh(use @ use.conj().T)
    return np.asarray(axes[:, -1].conj() @ y)


def nobodys_log_odds(line: ComplexArray, weight: FloatArray) -> float:
    """Log odds of narrow noise against a part's line, by strength and phase; arguments as for `phase_log_odds`.

    At most MOST either way. Each is bounded by itself first: a strength may follow the throttle as wildly as noise.
    """
    by_strength = noise_log_odds(np.abs(line) ** 2, weight)
    return float(np.clip(by_strength + phase_log_odds(line, weight), -MOST, MOST))


def noise_log_odds_along(signal: Signal, turns: FloatArray) -> float:
    """Log odds of narrow noise against a part's line along a phase track; turns: at the samples [shape (n,)]."""
    band = demodulate(signal.samples, signal.valid, signal.rate_hz, turns, BAND_RATE_HZ)
    mid_s = np.arange(0.5 * SHORT_S, turns.size / signal.rate_hz - 0.5 * SHORT_S, SHORT_S)
    if mid_s.size < LEAST_BLOCKS:
        return 0.0
    blocks = block_spectra(band, SHORT_S, mid_s, MAIN_LOBE / SHORT_S + SIDE_HZ, pad=1)
    spectra, noise = whiten(blocks, SHORT_S, SIDE_HZ)
    weight = np.where(blocks.cover > NEEDED_COVER, blocks.cover, 0.0)
    return nobodys_log_odds(on_own_axis(spectra[:, :, blocks.offset_hz.size // 2], noise, weight), weight)


def noise_log_odds(power: FloatArray, weight: FloatArray) -> float:
    """Log odds of narrow noise against a part's line, by the power over noise of short blocks [shape (blocks,) both].

    At most MOST either way; 0 where fewer than LEAST_BLOCKS blocks may speak.
    """
    use = weight > SPEAKS_FROM
    if int(np.count_nonzero(use)) < LEAST_BLOCKS:
        return 0.0
    heard = np.minimum(power, np.exp(LEVELS[-1]))[use, None, None]
    as_line, as_noise = (_rice(heard, np.exp(LEVELS[:, None] + own)) for own in (np.zeros(1), STRENGTHS))
    line = _summed(as_line, use, LINE_DRIFTS, np.ones((1, 1, 1)))
    noise = _summed(as_noise, use, NOISE_DRIFTS, np.stack([_forgets(width) for width in WIDTHS_HZ]))
    of_noise, of_line = (float(np.logaddexp.reduce(x)) - float(np.log(x.size)) for x in (noise, line))
    return float(np.clip(of_noise - of_line, -MOST, MOST))


@lru_cache(maxsize=8)
def _forgets(width_hz: float) -> FloatArray:
    """Chances of ln v from block to block, rows from [shape (strengths, strengths)]."""
    kept = float(np.exp(-np.pi * width_hz * SHORT_S))
    v, free = np.exp(STRENGTHS), 1.0 - kept**2
    root = 2.0 * kept * np.sqrt(v[:, None] * v) / free
    log_p = STRENGTHS - (v + kept**2 * v[:, None]) / free + np.log(i0e(root)) + root
    p = np.exp(log_p - log_p.max(axis=1, keepdims=True))
    return np.asarray(p / p.sum(axis=1, keepdims=True))


def _walks(drift: float) -> FloatArray:
    """Chances of ln P from block to block [shape (levels, levels)]."""
    step = np.exp(-0.5 * ((LEVELS[:, None] - LEVELS) / (drift * np.sqrt(SHORT_S))) ** 2)
    return np.asarray((1.0 - JUMPS) * step / step.sum(axis=1, keepdims=True) + JUMPS / LEVELS.size)


def _rice(power: FloatArray, steady: FloatArray) -> FloatArray:
    """Density of a block's power over noise with this steady part, one block in twenty lost."""
    spread, root, own = 1.0 + UNEVEN * steady, np.sqrt(power), np.sqrt(steady)
    rice = i0e(2.0 * root * own / spread) * np.exp(-((root - own) ** 2) / spread) / spread
    lost = np.exp(-power / (1.0 + steady)) / (1.0 + steady)
    return np.asarray((1.0 - LOST) * rice + LOST * lost, float)


def _summed(
    p: FloatArray, use: NDArray[np.bool_], drifts: Sequence[float], forgets: FloatArray
) -> FloatArray:
    """Log likelihood summed over all courses of ln P and ln v, for each drift of ln P and each of `forgets`, step by
    step together: of one alone a step is mostly overhead.

    p: density of each block that is used, at every level and strength [shape (used, levels, strengths)]. forgets: as
    of `_forgets`, of each width [shape (widths, strengths, strengths)]. Returns [shape (drifts * widths,)].
    """
    walks = np.stack([_walks(drift).T for drift in drifts])[:, None]
    top = p.max(axis=(1, 2))
    seen = iter(p / top[:, None, None])
    stays = np.linalg.matrix_power(forgets, 64)[:, :1] if forgets.shape[1] > 1 else np.ones((1, 1, 1))
    at = np.full((len(drifts), 1, LEVELS.size, 1), 1.0 / LEVELS.size) * stays
    scales = np.empty((use.size, len(drifts), forgets.shape[0], 1, 1))
    for spoken, scale in zip(use, scales, strict=True):
        at = walks @ at if forgets.shape[1] == 1 else walks @ at @ forgets
        if spoken:
            at *= next(seen)
        np.add.reduce(at, axis=(2, 3), keepdims=True, out=scale)
        at /= scale
    return np.asarray(np.log(top).sum() + np.log(scales).sum(axis=0).ravel())
