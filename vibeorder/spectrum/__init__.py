"""What shakes: spectra, their noise floor and lines, and orders followed along a changing speed.

Everything takes plain arrays: samples [shape (channels, n)], rate_hz, a mask `valid` [shape (n,)] and shaft
angles in turns [shape (n,)].
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from vibeorder.spectrum.averaged import AveragedSpectrum, averaged_spectrum, noise_floor
from vibeorder.spectrum.lines import SNR_BANDWIDTH_HZ, Line, find_lines

if TYPE_CHECKING:
    from vibeorder.spectrum.coherent import CoherentOrder, coherent_order
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

_WHERE = {
    "CoherentOrder": "coherent",
    "coherent_order": "coherent",
    "TrackedOrders": "tracked",
    "narrowest_bandwidth_hz": "tracked",
    "track_orders": "tracked",
    "weight_for_bandwidth": "tracked",
    "NamedLine": "turning",
    "OrderRow": "turning",
    "Turning": "turning",
    "turning_orders": "turning",
}


def __getattr__(name: str) -> Any:
    """What is asked for, imported when it first is: a diagnosis needs few of these, and waits for all it imports."""
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
