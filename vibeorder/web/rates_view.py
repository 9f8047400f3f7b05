"""How fast each part turns, for the pages: `vibeorder.vehicle.rate_table` in plain values."""

from dataclasses import dataclass

from vibeorder.units import parse_speed
from vibeorder.vehicle import Vehicle, rate_table
from vibeorder.web.vehicle_form import plain_words

__all__ = ["RatesView", "rates_view"]

USUAL_SPEED = "60 mph"


@dataclass(frozen=True, slots=True)
class RatesView:
    """A rate table ready to be shown. rows: label, rpm, 1x, 2x, 3x and firing in Hz, known to (all text).

    gear: the gear shown, also where none was asked for (the first of 1.00 or below, else the top gear).
    """

    title: str
    rows: tuple[tuple[str, str, str, str, str, str, str], ...]
    notes: tuple[str, ...]
    speed: str
    gear: int | None


def rates_view(vehicle: Vehicle, speed: str = "", gear: int | None = None) -> RatesView:
    """The table at a speed as typed ("60 mph" where none was). Raises VibeorderError."""
    said = speed or USUAL_SPEED
    if gear is None and vehicle.gears and vehicle.engine_per_wheel is not None:
        gear = next((i for i, ratio in enumerate(vehicle.gears, 1) if ratio <= 1.0), len(vehicle.gears))
    rows = rate_table(vehicle, parse_speed(said).si, gear)
    shown = tuple(
        (
            row.label,
            f"{row.rpm:.0f}",
            f"{row.first_hz:.1f}",
            f"{row.second_hz:.1f}",
            f"{row.third_hz:.1f}",
            "" if row.firing_hz is None else f"{row.firing_hz:.1f}",
            f"±{100.0 * row.relative_se:.1f}%",
        )
        for row in rows
    )
    in_gear = f", gear {gear}" if gear is not None else ""
    title = f"{vehicle.name} at {said}{in_gear}, tire {vehicle.tire.given}"
    return RatesView(title, shown, tuple(map(plain_words, vehicle.notes)), said, gear)
