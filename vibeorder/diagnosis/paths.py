"""Courses by dynamic programming: gears over time for every constant correction, and the wobble about one.

The correction of the wheel rate is nearly constant over a drive (tire, speedometer), with a small wobble about
it (noise of the speed source); a shift changes the engine's rate alone. So every constant is tried, each frame
looking a little to either side at a cost, and the best course of gears is found for each constant at once.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["gear_totals", "spread", "trace_gears", "wobble_course"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


def spread(evidence: NDArray[np.float32], wander_cells: float) -> NDArray[np.float32]:
    """Evidence that a line is within the wobble about each cell [same shape, cells last].

    log sum_d w_d exp(E_d), w Gaussian of that width: an average of Bayes factors, so that looking into more
    cells earns nothing by itself.
    """
    ratio = np.exp(np.minimum(evidence, 60.0))
    total = ratio @ _wobbling(ratio.shape[-1], wander_cells)
    return np.log(np.maximum(total, np.float32(1e-12)))


@lru_cache(maxsize=32)
def _wobbling(cells: int, wander_cells: float) -> NDArray[np.float32]:
    """Share of every cell that goes to every other [shape (cells, cells)]."""
    reach = max(1, int(2.5 * wander_cells))
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / wander_cells) ** 2)
    weights = (weights / weights.sum()).astype(np.float32)
    out = np.zeros((cells, cells), np.float32)
    for d, w in zip(range(-reach, reach + 1), weights, strict=True):
        out += w * np.eye(cells, k=-d, dtype=np.float32)
    return out


def gear_totals(
    evidence: NDArray[np.float32], switch: FloatArray, start: FloatArray
) -> tuple[FloatArray, NDArray[np.float32]]:
    """Total of the best course of gears for each cell, and what `trace_gears` follows back.

    evidence: [shape (frames, states, cells)]; switch: [shape (frames, states, states)]; start: [shape (states,)].
    Returns totals [shape (cells,)] and the best total up to every frame and state [shape of evidence].
    """
    frames, states, cells = evidence.shape
    if states == 1:
        return evidence[:, 0].sum(axis=0).astype(float) + float(start[0]), np.zeros_like(evidence)
    best = np.array(evidence, np.float32)
    best[0] += start[:, None].astype(np.float32)
    costs, ways = switch.astype(np.float32)[..., None], np.empty((states, states, cells), np.float32)
    for t in range(1, frames):
        np.add(best[t - 1][:, None, :], costs[t], out=ways)
        best[t] += ways.max(axis=0)
    return best[-1].max(axis=0).astype(float), best


def trace_gears(best: NDArray[np.float32], switch: FloatArray, cell: int) -> IntArray:
    """Course of states [shape (frames,)] for one cell; best, switch: of `gear_totals`."""
    frames = best.shape[0]
    own = best[:, :, cell]
    course = np.zeros(frames, np.intp)
    course[-1] = int(own[-1].argmax())
    for t in range(frames - 1, 0, -1):
        course[t - 1] = int((own[t - 1] + switch[t][:, course[t]]).argmax())
    return course


def wobble_course(
    evidence: NDArray[np.float32], centre: int, wander_cells: float, step_cells: float
) -> FloatArray:
    """Best course of cells about `centre`: smooth from frame to frame, drawn back to the centre.

    evidence: [shape (frames, cells)]. Returns cell positions [shape (frames,)].
    """
    reach = max(2, int(3.0 * wander_cells))
    low, high = max(0, centre - reach), min(evidence.shape[1], centre + reach + 1)
    cells = np.arange(low, high)
    pull = -0.5 * ((cells - centre) / (1.5 * wander_cells)) ** 2 / 3.0
    move = -0.5 * ((cells[:, None] - cells) / step_cells) ** 2
    local = evidence[:, low:high] + pull
    value = local[0]
    back = np.zeros(local.shape, np.intp)
    options, every = np.empty(move.shape), np.arange(cells.size)
    for t in range(1, local.shape[0]):
        np.add(value[:, None], move, out=options)
        back[t] = options.argmax(axis=0)
        value = options[back[t], every] + local[t]
    course = np.empty(local.shape[0], np.intp)
    course[-1] = int(value.argmax())
    for t in range(local.shape[0] - 1, 0, -1):
        course[t - 1] = back[t, course[t]]
    return cells[course].astype(float)
