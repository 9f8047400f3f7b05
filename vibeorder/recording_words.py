"""Options that say what a recording does not say itself: the same words in every command that reads one."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["Axes", "Rate", "RpmColumn", "SaidFile", "SpeedColumn", "SpeedUnit", "TimeColumn", "Unit"]

TimeColumn = Annotated[
    str | None, typer.Option(metavar="NAME", help="Column with the time stamps, by name or number.")
]
Axes = Annotated[
    str | None,
    typer.Option(metavar="NAMES", help="One to three acceleration columns, by name or number: x,y,z."),
]
Unit = Annotated[str | None, typer.Option(metavar="UNIT", help="Unit of the axes: g, m/s^2, mg or relative.")]
SpeedColumn = Annotated[
    str | None, typer.Option(metavar="NAME", help="Column with the road speed, by name or number.")
]
SpeedUnit = Annotated[
    str | None,
    typer.Option(
        metavar="UNIT",
        help="Unit of the speed column: m/s, km/h, mph; of a turning wheel rpm, deg/s, rad/s, Hz.",
    ),
]
RpmColumn = Annotated[
    str | None, typer.Option(metavar="NAME", help="Column with the engine speed in rpm, by name or number.")
]
SaidFile = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", help="What the customer said (JSON, as the shop page keeps it): a small prior."
    ),
]
Rate = Annotated[
    str | None,
    typer.Option(metavar="RATE", help='Samples per second of a file without time stamps: "500 Hz".'),
]
