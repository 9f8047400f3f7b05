"""Samples at uneven instants -> the uniform signal that would have given them, by least squares."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["band_limited_grid"]

FloatArray = NDArray[np.float64]

# Half length of the Kaiser-windowed sinc, in steps, and its shape: flat to 0.85 of Nyquist within 1e-3.
HALF_WIDTH = 10
KAISER_BETA = 5.5
PHASES = 8192
# A grid point is 1000 times likelier to move with the band below 0.85 Nyquist than the fit is to be off
# (the ridge), and what lies above that band is expected to be weak (the penalty): these two fill a
# dropped sample from its neighbours and are too weak to change anything where every sample is there.
RIDGE = 1e-4
PENALTY = 0.03
PENALTY_HALF = 14
BAND_SHARE = 0.85
ITERATIONS = 24
TOLERANCE = 3e-5
BLOCK = 32_768
OVERLAP = 64


def band_limited_grid(positions: FloatArray, samples: FloatArray, count: int) -> FloatArray:
    """The uniform signal u [shape (channels, count)] at 0, 1, ... whose interpolation meets the samples.

    positions: rising instants of the samples in grid steps [shape (n,)], within 0 to count - 1.
    samples: [shape (channels, n)], about zero mean.

    Minimises |A u - y|^2 + RIDGE |u|^2 + PENALTY |H u|^2, with A the Kaiser-windowed sinc interpolation
    from the grid to the instants and H a high-pass at 0.85 Nyquist, by conjugate gradients in blocks
    (Feichtinger, Groechenig & Strohmer 1995, Numer. Math. 69, 423: the "adaptive weights, conjugate
    gradients" method for irregular sampling; here with a windowed kernel and a ridge).
    """
    out = np.zeros((samples.shape[0], count))
    for start in range(0, count, BLOCK):
        stop = min(start + BLOCK, count)
        low, high = max(start - OVERLAP, 0), min(stop + OVERLAP, count)
        first, last = np.searchsorted(positions, (low - 0.5, high - 0.5))
        if last - first < 1:
            continue
        block = _solve(positions[first:last] - low, samples[:, first:last], high - low)
        out[:, start:stop] = block[:, start - low : stop - low]
    return out


def _solve(positions: FloatArray, samples: FloatArray, count: int) -> FloatArray:
    matrix = _interpolation_matrix(positions, count)
    adjoint = matrix.T.tocsr()
    penalty = _penalty_taps()
    target = adjoint @ samples.T
    scale = float(np.sqrt((target**2).sum())) or 1.0
    solution = np.zeros_like(target)
    residual = target
    direction = residual.copy()
    power = (residual**2).sum(axis=0)
    for _ in range(ITERATIONS):
        image = adjoint @ (matrix @ direction) + RIDGE * direction + _filtered(direction, penalty)
        curvature = (direction * image).sum(axis=0)
        step = np.where(curvature > 0, power / np.where(curvature > 0, curvature, 1.0), 0.0)
        solution = solution + step * direction
        residual = residual - step * image
        new_power = (residual**2).sum(axis=0)
        if float(np.sqrt(new_power.sum())) < TOLERANCE * scale:
            break
        direction = residual + direction * np.where(
            power > 0, new_power / np.where(power > 0, power, 1.0), 0.0
        )
        power = new_power
    padded: FloatArray = solution[HALF_WIDTH : HALF_WIDTH + count].T
    return padded


def _interpolation_matrix(positions: FloatArray, count: int) -> Any:
    """Sparse A [shape (n, count + 2 HALF_WIDTH)]; the grid is lengthened by the kernel at both ends."""
    from scipy.sparse import csr_matrix  # slow to import, needed for uneven clocks only

    base = np.floor(positions).astype(np.int64)
    phase = np.rint((positions - base) * PHASES).astype(np.int64)
    weights = _kernel_table()[phase]
    columns = (base[:, None] + np.arange(1, 2 * HALF_WIDTH + 1)).astype(np.int32)
    starts = np.arange(0, weights.size + 1, 2 * HALF_WIDTH, dtype=np.int32)
    shape = (positions.size, count + 2 * HALF_WIDTH + 1)
    return csr_matrix((weights.ravel(), columns.ravel(), starts), shape=shape)


def _kernel_table() -> FloatArray:
    """Weights of the 2 HALF_WIDTH nearest grid points for each of PHASES + 1 places between two of them."""
    place = np.linspace(0.0, 1.0, PHASES + 1)[:, None]
    offset = np.arange(1 - HALF_WIDTH, HALF_WIDTH + 1)[None, :] - place
    window = np.i0(KAISER_BETA * np.sqrt(np.clip(1.0 - (offset / HALF_WIDTH) ** 2, 0.0, 1.0))) / np.i0(
        KAISER_BETA
    )
    table: FloatArray = np.sinc(offset) * window
    return table


def _penalty_taps() -> FloatArray:
    """PENALTY times the autocorrelation of the high-pass H: what H^T H does to the grid."""
    offset = np.arange(-PENALTY_HALF, PENALTY_HALF + 1)
    low_pass = BAND_SHARE * np.sinc(BAND_SHARE * offset) * np.kaiser(2 * PENALTY_HALF + 1, 4.0)
    high_pass = -low_pass / low_pass.sum()
    high_pass[PENALTY_HALF] += 1.0
    taps: FloatArray = PENALTY * np.convolve(high_pass, high_pass)
    return taps


def _filtered(values: FloatArray, taps: FloatArray) -> FloatArray:
    if len(values) < len(taps):
        return 0.0 * values
    return np.stack([np.convolve(column, taps, mode="same") for column in values.T], axis=1)
