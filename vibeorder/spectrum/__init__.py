"""What shakes: spectra, their noise floor and lines, and orders followed along a changing speed.

Everything takes plain arrays: samples [shape (channels, n)], rate_hz, a mask `valid` [shape (n,)] and shaft
angles in turns [shape (n,)].
"""

from vibeorder.spectrum.averaged import AveragedSpectrum, averaged_spectrum, noise_floor
from vibeorder.spectrum.coherent import CoherentOrder, coherent_order
from vibeorder.spectrum.lines import SNR_BANDWIDTH_HZ, Line, find_lines
from vibeorder.spectrum.tracked import (
    TrackedOrders,
    narrowest_bandwidth_hz,
    track_orders,
    weight_for_bandwidth,
)
from vibeorder.spectrum.turning import NamedLine, OrderRow, Turning, turning_orders

__all__ = [
    "SNR_BANDWIDTH_HZ",
    "AveragedSpectrum",
    "CoherentOrder",
    "Line",
    "NamedLine",
    "OrderRow",
    "TrackedOrders",
    "Turning",
    "averaged_spectrum",
    "coherent_order",
    "find_lines",
    "narrowest_bandwidth_hz",
    "noise_floor",
    "track_orders",
    "turning_orders",
    "weight_for_bandwidth",
]
