"""`vibeorder plan`: what to drive before anything is recorded. Words in, words out; nothing is computed here."""

from collections.abc import Sequence
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Annotated

import typer

from vibeorder import door

if TYPE_CHECKING:
    from vibeorder.diagnosis.drive_plan import PlannedStep
    from vibeorder.vehicle import Vehicle

__all__ = ["app"]

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

WIDTH = 80

VehicleFile = Annotated[Path, typer.Option("--vehicle", metavar="FILE", help="Vehicle profile (TOML).")]
Speed = Annotated[
    str,
    typer.Option(metavar="SPEED", help='Speed at which it shakes: "60 mph", "about 95 km/h", "55-65 mph".'),
]
Gear = Annotated[
    int | None, typer.Option(metavar="N", help="Gear in which it does, where known; 1 is the lowest.")
]
Complaint = Annotated[
    str,
    typer.Option(
        metavar="WORDS", help='What the customer says: "boom when accelerating", "shake in the seat".'
    ),
]
LowRange = Annotated[bool, typer.Option("--low-range", help="The transfer case is in low range.")]


@app.command()
def plan(
    vehicle: VehicleFile,
    speed: Speed,
    gear: Gear = None,
    complaint: Complaint = "",
    low_range: LowRange = False,
) -> None:
    """Print the drives that tell most about a complaint, in order, before anything is recorded."""
    from vibeorder.diagnosis.drive_plan import plan_drive
    from vibeorder.speed.given import parse_speed_given
    from vibeorder.vehicle import load_vehicle

    car = load_vehicle(vehicle)
    said = parse_speed_given(speed)
    steps = plan_drive(car, said.middle_mps, gear, said.unit, complaint, low_range=low_range)
    door.say(_card(car, said.text, steps))


def _card(car: "Vehicle", speed: str, steps: Sequence["PlannedStep"]) -> str:
    """The card as it is taken along: numbered drives, what each tells apart, what to mind."""
    from vibeorder.diagnosis.drive_words import sharper_text, worth_of
    from vibeorder.vehicle import COSTS_NOTHING_FIRST

    lines = [f"{car.name}: drives for a shake at {speed}", "", *wrap(COSTS_NOTHING_FIRST, WIDTH)]
    for number, step in enumerate(steps, start=1):
        promise = sharper_text(step.bits + step.bits_left, step.bits_left)
        worth = f"{worth_of(step.tells_apart)} {promise[0].upper()}{promise[1:]}."
        drive = f"{number}. {step.instruction} {step.reading}".rstrip()
        lines += ["", *_wrapped(drive, ""), *_wrapped(worth, "   ")]
    if not steps:
        lines += ["", "No drive tells this vehicle's suspects apart at that speed."]
    cautions = dict.fromkeys(step.caution for step in steps)
    return "\n".join([*lines, "", *(line for caution in cautions for line in wrap(caution, WIDTH))]) + "\n"


def _wrapped(text: str, first: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=first, subsequent_indent="   ")
