"""How far a wheel's lines run off the ratio that the driven wheels' shaft and the engine keep to them.

Shaft and engine turn with the mean of the driven wheels. One tire, smaller or larger than that mean by some tenths of a
percent (another make, wear, pressure, load), turns at a rate of its own; at the fourth order of the wheel its line then
lies bins beside the track that a shaft's or an engine's line would give it. So does a shaft's beside the engine's where
both axles are driven and the tires of one are worn further.
"""

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import NEEDED_COVER, SIDE_HZ, Course, block_cut
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.evidence import MAIN_LOBE, whiten
from vibeorder.diagnosis.scan import Scan, usable
from vibeorder.spectrum.baseband import block_spectra, narrowed
from vibeorder.spectrum.middle import within

__all__ = ["OWN_SIZE_SD", "rolls_off", "turns_with_one_wheel", "votes_beside"]

FloatArray = NDArray[np.float64]

OWN_SIZE_SD = 0.002
"""Sd of one tire's rolling size beside the mean of its set (common practice, no source: a few tenths of a percent)."""

MOST_OFF = 0.006
"""Largest difference looked for: three sd."""

SEEN_FROM_BINS = 0.25
"""A tire off by one sd is looked for where that moves its line by this much, in 1/block."""

GAIN_NEEDED = 3.0
"""Log evidence that a size of its own must gain beside its prior: many are tried."""

BLOCK_WEIGHT = 0.5
"""Half-overlapped blocks say half as much each."""

CLEAR_RATIO = 5.0
"""Power over noise of a channel from which a block speaks by the logarithm: a strong line's place stays sharp, and no
single block decides."""

PADDED = 4
MARGIN = 1.6
"""Sample rate of the narrowed baseband, in multiples of both sides of what is read of it."""


def turns_with_one_wheel(candidate: Candidate) -> bool:
    """Whether the part turns with a single wheel, or one axle of two, and so may run off the mean of the driven ones.

    Not in sound, where every line has multiples: each with a size of its own, a comb would fit any.
    """
    alone = candidate.part in ("tire_wheel", "half_shaft") or candidate.one_axle
    return alone and candidate.overtone_mps2 == 0.0


def rolls_off(scan: Scan, track: int, course: Course, sample_rate_hz: float) -> float:
    """Relative offset of a wheel's line along a course that another line led to; 0 where none is worth its prior."""
    typical_hz = scan.clock.usual_hz * scan.tracks[track].multiple
    block_s, mid_s = block_cut(float(scan.clock.mid_s[-1]))
    if mid_s.size < 2 or OWN_SIZE_SD * typical_hz * block_s < SEEN_FROM_BINS:
        return 0.0
    step = 0.25 / (block_s * typical_hz)
    off = np.asarray(step * np.arange(-int(MOST_OFF / step), int(MOST_OFF / step) + 1), float)
    votes = votes_beside(scan, track, course, off, sample_rate_hz)
    support = votes - 0.5 * (off / OWN_SIZE_SD) ** 2
    best = int(np.argmax(support))
    return float(off[best]) if support[best] - support[off.size // 2] > GAIN_NEEDED else 0.0


def votes_beside(
    scan: Scan,
    track: int,
    course: Course,
    off: FloatArray,
    sample_rate_hz: float,
    held: NDArray[np.bool_] | None = None,
) -> FloatArray:
    """How well a line stands along a course at each relative offset, in blocks, which show it narrower than frames do.

    off: [shape (offsets,), as what comes out]. held: frames in which its gear does, None for all of them.
    """
    clock, multiple = scan.clock, scan.tracks[track].multiple
    block_s, mid_s = block_cut(float(clock.mid_s[-1]))
    rate = np.interp(mid_s, clock.mid_s, clock.rate_hz)
    reach = MAIN_LOBE / block_s + SIDE_HZ + float(np.abs(off).max()) * float(rate.max()) * multiple
    band = scan.bands[track]
    close = narrowed(band, multiple * course.correction(band.times_s), 2.0 * MARGIN * reach)
    blocks = block_spectra(close, block_s, mid_s, min(reach, 0.4 * close.rate_hz), pad=PADDED)
    spectra, noise = whiten(blocks, block_s, SIDE_HZ)
    ratio = ((np.abs(spectra) / noise[:, :, None]) ** 2).sum(axis=0)
    bin_hz = float(blocks.offset_hz[1] - blocks.offset_hz[0])
    index = np.round(rate[:, None] * multiple * off / bin_hz).astype(int) + blocks.offset_hz.size // 2
    found = np.take_along_axis(ratio, within(index, 0, ratio.shape[1] - 1), axis=1)
    channels = spectra.shape[0]
    evidence = channels * np.log1p(found / (channels * CLEAR_RATIO))
    seen = usable(rate * multiple, sample_rate_hz) & (blocks.cover > NEEDED_COVER)
    if held is not None:
        seen &= np.interp(mid_s, clock.mid_s, held.astype(float)) > 0.99
    return np.asarray(BLOCK_WEIGHT * np.where(seen[:, None], evidence, 0.0).sum(axis=0))
