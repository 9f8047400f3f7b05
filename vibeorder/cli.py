"""The command line: words in, the library's functions, words out. Nothing is computed here.

Everything heavy is imported inside the command that needs it, so that `vibeorder --help` answers at once.
"""

import atexit
import gc
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from vibeorder import __version__, door
from vibeorder.casebook_option import JobCommand, keep_diagnoses
from vibeorder.errors import VibeorderError
from vibeorder.recording_words import (
    Axes,
    Rate,
    RpmColumn,
    SaidFile,
    SpeedColumn,
    SpeedUnit,
    TimeColumn,
    Unit,
)

if TYPE_CHECKING:
    from vibeorder.diagnosis import Diagnosis
    from vibeorder.recording import ReadOptions, Trace
    from vibeorder.speed.given import SpeedGiven

__all__ = ["app", "main"]

Progress = Callable[[str, float], None]

ROOMS = {
    "plan": ("vibeorder.plan_cli", "What to drive before anything is recorded."),
    "compare": ("vibeorder.compare_cli", "Say whether a repair cured the shake."),
    "turning": ("vibeorder.turning_cli", "Orders of a part turning at a known rate."),
    "bench": ("vibeorder.bench_cli", "From dial readings, weights and angles to the cure."),
    "job": ("vibeorder.casebook_cli", "One job from complaint to verified repair, on record."),
    "batch": ("vibeorder.batch_cli", "Diagnose every recording in a folder into one table."),
    "serve": ("vibeorder.serve_cli", "Open the shop page: the same answers in a browser."),
}
"""Commands that live in their own module and are imported only when called: name -> (module, help)."""


class LazyGroup(TyperGroup):
    """A command group that lists the rooms in its help without importing them."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Our own commands, then the rooms that are installed."""
        return [
            *super().list_commands(ctx),
            *(name for name, (where, _) in ROOMS.items() if find_spec(where)),
        ]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """A placeholder with the room's help while listing; the room itself when it is called."""
        room = ROOMS.get(cmd_name)
        if room is None or not find_spec(room[0]):
            return super().get_command(ctx, cmd_name)
        if not getattr(self, "_listing", False):
            return typer.main.get_command(import_module(room[0]).app)
        placeholder = typer.Typer(help=room[1], rich_markup_mode=None)
        placeholder.callback()(lambda: None)
        return typer.main.get_command(placeholder)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Help, with placeholders standing for the rooms."""
        self._listing = True
        try:
            super().format_help(ctx, formatter)
        finally:
            self._listing = False


app = typer.Typer(
    cls=LazyGroup,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Tells which spinning part of a vehicle shakes, from a recording of the shake.",
    epilog="Start with: vibeorder diagnose RECORDING --vehicle VEHICLE.toml",
)

Recordings = Annotated[
    list[Path],
    typer.Argument(
        metavar="RECORDING", help="Phone or accelerometer recordings, judged together and each alone."
    ),
]
SpeedSaid = Annotated[
    str | None,
    typer.Option(
        metavar="SPEED",
        help='What the speedometer showed: "60 mph", "about 60 mph", "55-65 mph", "from rest to 60 mph".',
    ),
]
SpeedLog = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="Speed in a log of its own: GPX track, CSV of a GPS or OBD logger, a wheel's turning rate.",
    ),
]
LogLate = Annotated[
    str | None,
    typer.Option(
        metavar="TIME", help='How late the speed log runs, where known: "0 s" if both began together.'
    ),
]
JsonFile = Annotated[
    str | None, typer.Option(metavar="FILE", help="Write the result as JSON; - writes it to standard output.")
]
PlotFile = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Draw spectrum and order map (.png, .svg or .pdf).")
]
SheetFile = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Write a sheet to print (.html, nothing else needed).")
]
Why = Annotated[bool, typer.Option("--why", help="Say what speaks for and against each, in numbers.")]
WhyFile = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Draw what speaks for and against (.png, .svg or .pdf).")
]
VehicleFile = Annotated[
    Path,
    typer.Option("--vehicle", metavar="FILE", help="Vehicle profile (TOML): tire size, axle ratio, gears."),
]
Gear = Annotated[
    int | None, typer.Option("--gear", metavar="N", help="Gear it was driven in; 1 is the lowest.")
]
SoundFile = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", help="Sound of the same drive that began with the recording; judged with it."
    ),
]
StandingFiles = Annotated[
    list[Path] | None,
    typer.Option(
        metavar="FILE",
        help="A recording made standing still, engine held, judged with the drive; repeatable.",
    ),
]
StandingRpm = Annotated[
    str | None,
    typer.Option(metavar="RPM", help='Engine speed held there, where the recording has none: "1850 rpm".'),
]
LowRange = Annotated[bool, typer.Option("--low-range", help="The transfer case was in low range.")]


def main(arguments: Sequence[str] | None = None) -> int:
    """The program: run the command line and return its exit code."""
    # many small matrices: more than one thread of the linear algebra costs far more than it brings
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # arrays make no circles: garbage is looked for a hundred times less often than Python would
    gc.set_threshold(50_000, 20, 50)
    # what is there at the end goes with the process: looked through for garbage, leaving takes a tenth of a second
    atexit.register(gc.freeze)
    given = None if arguments is None else list(arguments)
    return door.walk_out(lambda: app(args=given, prog_name="vibeorder", standalone_mode=False))


def _say_version(wanted: bool) -> None:
    if wanted:
        version()
        raise typer.Exit


@app.callback()
def about(
    show_version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_say_version, help="Print the version.")
    ] = False,
) -> None:
    """Tells which spinning part of a vehicle shakes, from a recording of the shake."""


@app.command(cls=JobCommand, short_help="Name the part that shakes, from a recording.")
def diagnose(
    recordings: Recordings,
    vehicle: VehicleFile,
    speed: SpeedSaid = None,
    speed_log: SpeedLog = None,
    log_late: LogLate = None,
    gear: Gear = None,
    low_range: LowRange = False,
    sound: SoundFile = None,
    standing: StandingFiles = None,
    standing_rpm: StandingRpm = None,
    said: SaidFile = None,
    json: JsonFile = None,
    plot: PlotFile = None,
    sheet: SheetFile = None,
    why: Why = False,
    why_plot: WhyFile = None,
    time_column: TimeColumn = None,
    axes: Axes = None,
    unit: Unit = None,
    speed_column: SpeedColumn = None,
    speed_unit: SpeedUnit = None,
    rpm_column: RpmColumn = None,
    rate: Rate = None,
) -> None:
    """Say which spinning part shakes, how sure that is, and what to check first."""
    with door.importing():
        from vibeorder.recording import read_ahead, typed_options
        from vibeorder.vehicle import load_vehicle

    still = standing or []
    inputs = [p for p in (*recordings, *still, vehicle, speed_log, sound, said) if p is not None]
    outputs = {"--plot": plot, "--sheet": sheet, "--why-plot": why_plot}
    door.check_outputs(json, outputs, inputs)
    columns = typed_options(
        time_column=time_column, axes=axes, unit=unit, speed_column=speed_column, speed_unit=speed_unit,
        rpm_column=rpm_column, rate=rate,
    )  # fmt: skip
    options = columns
    if speed_log is not None:  # then the speed column is one of the log's
        options = replace(columns, speed_column=None, speed_unit=None)
    reader = read_ahead(recordings[0], options)
    car = load_vehicle(vehicle)
    late_s = _late(log_late, speed_log)
    given = _speed(speed, speed_log, columns)
    with door.importing():
        from vibeorder.diagnosis import DriveTold
        from vibeorder.drives_cli import Asked, judge_drives

        if json != "-":  # a report will be printed: what draws its tables comes while the recording is read
            import rich.console
            import rich.table  # noqa: F401

    told = DriveTold(car, given, gear, low_range, late_s, options, sound, reader)
    asked = Asked(told, still, standing_rpm, said, why or why_plot is not None, _progress)
    together, results = judge_drives(recordings, asked)
    _hand_over(together, results, json, outputs)
    keep_diagnoses([*recordings, *still], results, together, aside=json == "-")


@app.command(short_help="How fast each part turns at a road speed.")
def rates(
    vehicle: VehicleFile,
    speed: Annotated[str, typer.Option(metavar="SPEED", help='Road speed: "60 mph", "97 km/h".')],
    gear: Gear = None,
    low_range: LowRange = False,
) -> None:
    """Print how fast each part turns at a road speed, and the frequencies it can shake at."""
    from vibeorder.rates_text import rates_text
    from vibeorder.units import parse_speed
    from vibeorder.vehicle import load_vehicle, rate_table

    car = load_vehicle(vehicle)
    rows = rate_table(car, parse_speed(speed).si, gear, low_range)
    door.say(rates_text(car, rows, speed, gear))


@app.command()
def version() -> None:
    """Print the version."""
    door.say(f"vibeorder {__version__}\n")


def _speed(speed: str | None, log: Path | None, options: "ReadOptions") -> "SpeedGiven | Trace | None":
    if speed is not None and log is not None:
        raise VibeorderError("--speed and --speed-log both say how fast it went; give one of them")
    from vibeorder.speed.told import told_speed

    return told_speed(speed, log, options.speed_column, options.speed_unit)


def _late(late: str | None, log: Path | None) -> float | None:
    if late is None:
        return None
    if log is None:
        raise VibeorderError("--log-late says how late a speed log runs; give the log with --speed-log")
    from vibeorder.units import parse_time

    return parse_time(late).si


def _progress(name: str) -> Progress:
    """A line on the terminal that says how far it got; nothing where stderr is not a terminal."""
    if not sys.stderr.isatty():
        return lambda what, share: None

    def show(what: str, share: float) -> None:
        text = "" if share >= 1.0 else f"{name}: {what}, {100.0 * share:.0f}%"[:78]
        door.say(f"\r\x1b[K{text}", aside=True)

    return show


def _hand_over(
    together: "Diagnosis", results: list["Diagnosis"], json: str | None, outputs: Mapping[str, Path | None]
) -> None:
    """Files first, so that a report on the screen means that they are there."""
    from vibeorder import report  # each of its writers is imported when it is asked for

    writers: dict[str, Callable[[Path], object]] = {
        "--plot": lambda path: report.save_figure(together, path),
        "--sheet": lambda path: path.write_text(report.as_html(together), "utf-8"),
        "--why-plot": lambda path: report.save_why(together, path),
    }
    for option, where in outputs.items():
        if where is not None:
            door.write_output(where, option, writers[option])
    text = "" if json is None else report.as_json(results, together)
    if json is not None and json != "-":
        door.write_output(Path(json), "--json", lambda path: path.write_text(text, "utf-8"))
    if json == "-":
        door.say(f"{together.verdict}\n", aside=True)
        door.say(text)
        return
    door.say(_report(together))
    if len(results) > 1:
        door.say("".join(f"\n=== {one.recording['source']} ===\n{one.verdict}\n" for one in results))


def _report(result: "Diagnosis") -> str:
    from shutil import get_terminal_size

    from vibeorder.report import as_text

    screen = sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
    width = get_terminal_size((80, 24)).columns if screen else 80
    wide_set = (sys.stdout.encoding or "").lower().replace("-", "").startswith("utf")
    return as_text(result, width=width, terminal=screen, ascii_only=not wide_set)


if __name__ == "__main__":
    sys.exit(main())
