"""Cosine-sum windows and the figures that every spectrum scaled by them rests on."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import VibeorderError

__all__ = [
    "COSINE_TERMS",
    "cosine_window",
    "effective_averages",
    "noise_bandwidth_bins",
    "overlap_correlation",
]

FloatArray = NDArray[np.float64]

# w(k) = sum_i (-1)^i a_i cos(2 pi i k / n). Harris, Proc. IEEE 66(1), 1978, equations 25 to 35; the flat top
# is the five-term one of general-purpose libraries.
COSINE_TERMS: dict[str, tuple[float, ...]] = {
    "rectangular": (1.0,),
    "hann": (0.5, 0.5),
    "hamming": (0.54, 0.46),
    "blackman": (0.42, 0.5, 0.08),
    "blackman_harris": (0.35875, 0.48829, 0.14128, 0.01168),
    "flat_top": (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
}


def cosine_window(name: str, length: int, *, periodic: bool = True) -> FloatArray:
    """Window weights [shape (length,)]; periodic for spectra, symmetric (periodic=False) for filters.

    Raises VibeorderError for an unknown name.
    """
    terms = COSINE_TERMS.get(name)
    if terms is None:
        raise VibeorderError(f"window {name!r} is unknown; use one of {', '.join(COSINE_TERMS)}")
    angle = 2.0 * np.pi * np.arange(length) / max(1, length if periodic else length - 1)
    weights = np.zeros(length)
    for i, term in enumerate(terms):
        weights += (-1.0) ** i * term * np.cos(i * angle)
    return weights


def noise_bandwidth_bins(weights: FloatArray) -> float:
    """Equivalent noise bandwidth in bins: n sum(w^2) / sum(w)^2 (Harris 1978, equation 11)."""
    return float(weights.size * np.sum(weights**2) / np.sum(weights) ** 2)


def overlap_correlation(weights: FloatArray, overlap: float) -> float:
    """Correlation of the noise in two blocks that share `overlap` (0 to 1) of their length.

    sum w(k) w(k + (1 - overlap) n) / sum w(k)^2 (Harris 1978, equation 18).
    """
    shift = round((1.0 - overlap) * weights.size)
    if shift >= weights.size:
        return 0.0
    return float(np.sum(weights[: weights.size - shift] * weights[shift:]) / np.sum(weights**2))


def effective_averages(weights: FloatArray, hop: int, blocks: int) -> float:
    """How many independent blocks would average noise as well as `blocks` that overlap.

    blocks / (1 + 2 sum_j (1 - j / blocks) c_j^2), c_j the overlap correlation of blocks j hops apart
    (Welch, IEEE Trans. AU-15, 1967).
    """
    spread = 1.0
    for j in range(1, blocks):
        if j * hop >= weights.size:
            break
        correlation = overlap_correlation(weights, 1.0 - j * hop / weights.size)
        spread += 2.0 * (1.0 - j / blocks) * correlation**2
    return blocks / spread
