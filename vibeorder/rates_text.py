"""The rate table in words, plain enough to be read on a phone at the roadside."""

from collections.abc import Sequence

from vibeorder.vehicle import RateRow, Vehicle

__all__ = ["rates_text"]


def rates_text(car: Vehicle, rows: Sequence[RateRow], speed: str, gear: int | None) -> str:
    """The rate table as lines. rows: of `rate_table`; speed: as the user typed it; gear: None where not said."""
    wide = max(len(row.label) for row in rows)
    in_gear = f" in gear {gear}" if gear is not None else ""
    heads = f"{'rpm':>6}  {'1x Hz':>7}  {'2x Hz':>7}  {'3x Hz':>7}  {'firing':>7}  {'known to':>8}"
    title = f"{car.name} at {speed.strip()}{in_gear}, tire {car.tire.given}"
    lines = [title, "", f"{'part':{wide}}  {heads}"]
    for row in rows:
        firing = "-" if row.firing_hz is None else f"{row.firing_hz:.1f}"
        lines.append(
            f"{row.label:{wide}}  {row.rpm:6.0f}  {row.first_hz:7.2f}  {row.second_hz:7.2f}  "
            f"{row.third_hz:7.2f}  {firing:>7}  {f'{100.0 * row.relative_se:.1f}%':>8}"
        )
    if gear is None and car.cylinders:
        lines += ["", "Give --gear N to see the engine and what it drives."]
    return "\n".join(lines) + "\n"
