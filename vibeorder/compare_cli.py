"""`vibeorder compare before after`: is it cured? Words in, words out; nothing is computed here."""

from dataclasses import replace
from json import dumps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibeorder import door
from vibeorder.casebook_option import JobCommand, keep_comparison
from vibeorder.errors import VibeorderError
from vibeorder.recording_words import Axes, SaidFile, Unit

if TYPE_CHECKING:
    from vibeorder.diagnosis import DriveTold, Intake
    from vibeorder.diagnosis.compare import Comparison, Drive

__all__ = ["app"]

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

Before = Annotated[Path, typer.Argument(metavar="BEFORE", help="The recording made before the repair.")]
After = Annotated[Path, typer.Argument(metavar="AFTER", help="The recording made after it.")]
VehicleFile = Annotated[
    Path, typer.Option("--vehicle", metavar="FILE", help="Vehicle profile (TOML), the same for both.")
]
Speed = Annotated[
    str | None,
    typer.Option(metavar="SPEED", help='What the speedometer showed, both times: "60 mph", "55-65 mph".'),
]
AfterSpeed = Annotated[
    str | None, typer.Option(metavar="SPEED", help="What it showed the second time, where that differs.")
]
Log = Annotated[
    Path | None,
    typer.Option("--speed-log", metavar="FILE", help="Road speed of the first drive in its own log."),
]
AfterLog = Annotated[
    Path | None,
    typer.Option("--after-speed-log", metavar="FILE", help="Road speed of the second drive in its own log."),
]
Late = Annotated[
    str | None,
    typer.Option(
        "--log-late",
        metavar="TIME",
        help='How late the speed logs run, where known: "0 s" if begun together.',
    ),
]
AfterLate = Annotated[
    str | None,
    typer.Option(
        "--after-log-late", metavar="TIME", help="How late the second one runs, where that differs."
    ),
]
Gear = Annotated[int | None, typer.Option(metavar="N", help="Gear held in both drives; 1 is the lowest.")]
LowRange = Annotated[bool, typer.Option("--low-range", help="The transfer case was in low range.")]
Part = Annotated[
    str | None,
    typer.Option(
        metavar="PART", help="Part that was repaired, like driveshaft; else the first suspect before."
    ),
]
Order = Annotated[float | None, typer.Option(metavar="N", help="Its order: 1 is one shake a turn.")]
Json = Annotated[
    str | None, typer.Option(metavar="FILE", help="Write the result as JSON; - writes it to standard output.")
]
Plot = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Draw level against speed (.png, .svg or .pdf).")
]


@app.command(cls=JobCommand)
def compare(
    before: Before,
    after: After,
    vehicle: VehicleFile,
    speed: Speed = None,
    after_speed: AfterSpeed = None,
    speed_log: Log = None,
    after_speed_log: AfterLog = None,
    log_late: Late = None,
    after_log_late: AfterLate = None,
    gear: Gear = None,
    low_range: LowRange = False,
    part: Part = None,
    order: Order = None,
    said: SaidFile = None,
    axes: Axes = None,
    unit: Unit = None,
    json: Json = None,
    plot: Plot = None,
) -> None:
    """Say whether a repair cured the shake, from a drive before and a drive after it."""
    from vibeorder.diagnosis import DriveTold, read_intake
    from vibeorder.diagnosis.compare import compare as judge
    from vibeorder.diagnosis.compare_asked import logs_not_used, order_asked, suspect_of
    from vibeorder.recording import typed_options
    from vibeorder.speed.told import told_speed
    from vibeorder.vehicle import load_vehicle

    inputs = [path for path in (before, after, vehicle, speed_log, after_speed_log, said) if path is not None]
    _check(inputs, json, plot, part, order)
    _one_speed("", speed, speed_log)
    _one_speed("after-", after_speed, after_speed_log)
    first_s, second_s = _late(log_late, speed_log, after_log_late, after_speed_log)
    car, options = load_vehicle(vehicle), typed_options(axes=axes, unit=unit)
    told = DriveTold(car, told_speed(speed, speed_log), gear, low_range, first_s, options)
    given = told_speed(after_speed or speed, after_speed_log)
    again = replace(told, given=given, late_s=second_s)
    words = None if said is None else read_intake(said)
    one, two = _drive(before, told, words), _drive(after, again, words)
    which, its_order = (part, order_asked(order)) if part is not None else suspect_of(one.diagnosis)
    result = judge(one, two, car, which, its_order, low_range=low_range)
    unused = logs_not_used(one.recording, two.recording)
    result = replace(result, warnings=(*result.warnings, *unused))
    content = _hand_over(result, one.diagnosis.speed.unit, json, plot)
    keep_comparison(before, after, content, two.diagnosis, aside=json == "-")
    if plot is not None and not result.bins:  # said last: it takes nothing from what was found
        door.say(f"There is nothing to draw, so {plot} is not written: {result.reason}.\n", aside=True)


def _check(
    inputs: list[Path], json: str | None, plot: Path | None, part: str | None, order: float | None
) -> None:
    """Every reason to refuse, before any work."""
    from vibeorder.casebook import digest_of
    from vibeorder.diagnosis.compare_asked import order_asked

    before, after = inputs[:2]
    for path in (before, after):
        if not path.exists():
            raise VibeorderError(f"there is no file {path}; check the name")
    if digest_of(before) == digest_of(after):
        raise VibeorderError(f"{before} and {after} are the same recording; give one of each drive")
    if order is not None and part is None:
        raise VibeorderError(f"--order {order:g} needs --part: of which part?")
    order_asked(order)
    door.check_outputs(json, {"--plot": plot}, inputs)


def _one_speed(which: str, speed: str | None, log: Path | None) -> None:
    """Refuse two ways of saying how fast one drive went: one of them would win unsaid."""
    if speed is not None and log is not None:
        raise VibeorderError(
            f"--{which}speed and --{which}speed-log both say how fast it went; give one of them"
        )


def _late(
    late: str | None, log: Path | None, after_late: str | None, after_log: Path | None
) -> tuple[float | None, float | None]:
    """How late each log runs [s], where it was said; one word counts for both."""
    from vibeorder.units import parse_time

    if late is not None and log is None and after_log is None:
        raise VibeorderError("--log-late says how late a speed log runs; give the log with --speed-log")
    if after_late is not None and after_log is None:
        raise VibeorderError(
            "--after-log-late says how late the second speed log runs; give that log with --after-speed-log"
        )
    both = None if late is None else parse_time(late).si
    return both, both if after_late is None else parse_time(after_late).si


def _drive(path: Path, told: "DriveTold", said: "Intake | None") -> "Drive":
    """One drive read and judged with its own sound, as diagnose does, but in one piece: one course is compared."""
    from vibeorder.diagnosis import diagnose, read_drive
    from vibeorder.diagnosis.compare import Drive

    recording, driven, heard = read_drive(path, told, lambda what, share: None)
    found = diagnose(
        recording, told.car, speed=driven, gear=told.gear, low_range=told.low_range, sound=heard, said=said
    )
    return Drive(recording, found)


def _hand_over(result: "Comparison", unit: str, json: str | None, plot: Path | None) -> dict[str, object]:
    """Files first, so that a report on the screen means that they are there."""
    from vibeorder.bench import render
    from vibeorder.report.comparison import comparison_dict, comparison_figure, comparison_sheet

    content = comparison_dict(result, unit)
    text = dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if plot is not None and result.bins:
        door.write_output(plot, "--plot", lambda p: comparison_figure(result, unit).savefig(p, dpi=120))
    if json == "-":
        door.say(f"{content['sentence']}\n", aside=True)
        door.say(text)
        return content
    if json is not None:
        door.write_output(Path(json), "--json", lambda p: p.write_text(text, "utf-8"))
    door.say(render(comparison_sheet(result, unit)) + "\n")
    return content
