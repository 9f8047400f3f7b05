"""`vibeorder bench ...`: typed text in, the bench's answers, words out. Nothing is computed here."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibeorder import door
from vibeorder.bench import SAFETY_FRACTION, SHAFT_GRADE, JointLimits
from vibeorder.casebook_option import JobCommand, keep_reading, runout_in_the_job
from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
    from vibeorder.bench import Answer, Indicator
    from vibeorder.vehicle import Vehicle

__all__ = ["app"]

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From dial readings, weights and angles to the cure.",
)

USUAL = JointLimits()

# Options by name, so that a command's own lines say what it takes and nothing else.
Json = Annotated[
    str | None, typer.Option(metavar="FILE", help="Write the result as JSON; - writes it to standard output.")
]
Plot = Annotated[Path | None, typer.Option(metavar="FILE", help="Draw a polar picture (.png, .svg or .pdf).")]
Profile = Annotated[
    Path | None,
    typer.Option("--vehicle", metavar="FILE", help="Vehicle profile (TOML): runout limits, shaft rate."),
]
LimitText = Annotated[
    str | None,
    typer.Option(
        "--limit", metavar="LENGTH", help='Allowed total reading, from the service information: "4 thou".'
    ),
]
Readings = Annotated[
    str | None,
    typer.Option(
        metavar="TEXT",
        help='Round one turn: "0 2 5 7 6 4 1 -1 thou", "0:0 90:4 ... mm", "12h:0 3h:4 ... in".',
    ),
]
Back = Annotated[str | None, typer.Option(metavar="TEXT", help="The same places, turning backwards.")]
High = Annotated[str | None, typer.Option(metavar="TEXT", help='Short form, the highest: "5 thou@90".')]
Low = Annotated[str | None, typer.Option(metavar="TEXT", help='Short form, the lowest: "-3 thou@270".')]
PlaceName = Annotated[
    str | None,
    typer.Option("--place", metavar="PLACE", help="Where it was read: flange_face, tube_rear, ..."),
]
Bolts = Annotated[int | None, typer.Option(metavar="N", help="Bolts of the flange, for places like b3.")]
Lever = Annotated[float, typer.Option(metavar="RATIO", help="True travel per unit shown, of a bore adapter.")]
Tilt = Annotated[float, typer.Option(metavar="DEG", help="Slant of the stem against the runout's direction.")]
Backlash = Annotated[str | None, typer.Option(metavar="LENGTH", help='Lost motion of the dial: "0.5 thou".')]
Graduation = Annotated[str | None, typer.Option(metavar="LENGTH", help='Smallest division: "1 thou".')]
Mounts = Annotated[
    list[str] | None,
    typer.Option(
        "--mount",
        metavar="TEXT",
        help='Turned by = reading; repeat: "180 = 12 thou@30", or in full "180 = 0 2 5 7 6 4 1 -1 thou".',
    ),
]
CountedOn = Annotated[
    str, typer.Option(metavar="PART", help="Whose marks angles count from: moved or fixed.")
]
FixedName = Annotated[str, typer.Option(metavar="NAME", help="What to call the part that stays.")]
MovedName = Annotated[str, typer.Option(metavar="NAME", help="What to call the part that is turned.")]
FixedShare = Annotated[
    str | None,
    typer.Option("--fixed", metavar="TEXT", help='Own runout of the part that stays: "8 thou@200".'),
]
MovedShare = Annotated[
    str | None, typer.Option("--moved", metavar="TEXT", help='Own runout of the part to turn: "12 thou@30".')
]
Positions = Annotated[
    int, typer.Option("--bolts", metavar="N", help="Possible positions: 2 for a joint, 4, 6 or 8 bolts.")
]
Free = Annotated[bool, typer.Option("--free", help="Any angle is possible, as for a tire on its wheel.")]
Runout = Annotated[
    str, typer.Option("--runout", metavar="LENGTH", help='Total indicator reading: "10 thou".')
]
Mass = Annotated[str, typer.Option(metavar="MASS", help='Mass that runs off center: "10 kg", "22 lb".')]
Rotor = Annotated[
    str | None, typer.Option("--mass", metavar="MASS", help='Mass of the shaft, for the grade: "10 kg".')
]
RpmList = Annotated[
    list[float] | None, typer.Option("--rpm", metavar="RPM", help="Shaft speed; may be repeated.")
]
Rpm = Annotated[float | None, typer.Option(metavar="RPM", help="Shaft speed.")]
RoadSpeed = Annotated[
    str | None, typer.Option("--speed", metavar="SPEED", help='Road speed, with --vehicle: "60 mph".')
]
OneEnd = Annotated[bool, typer.Option("--one-end", help="Only one end of the shaft is off center.")]
Critical = Annotated[float | None, typer.Option(metavar="RPM", help="Critical speed, from bench shaft.")]
Reference = Annotated[
    str,
    typer.Option(
        metavar="TEXT", help='Shake without weights, per pickup: "3.4@116", bare "3.4", or run0.wav.'
    ),
]
Runs = Annotated[
    list[str],
    typer.Option(
        "--run",
        metavar="TEXT",
        help='Weights = shake; repeat: "2 g@0 = 1.8@42", two planes "2 g@0, 0 = 3@94, 5@68".',
    ),
]
Order = Annotated[float, typer.Option(metavar="N", help="Order of the shake; only the first is balanced.")]
Checked = Annotated[bool, typer.Option("--runout-checked", help="Runout was measured and is within limits.")]
PhaseLag = Annotated[bool, typer.Option("--phase-lag", help="Phases count against the weights' angles.")]
Clamp = Annotated[str | None, typer.Option(metavar="MASS", help='Weight of one hose clamp\'s head: "16 g".')]
After = Annotated[str | None, typer.Option(metavar="TEXT", help="Shake after the correction, per pickup.")]
Radius = Annotated[str | None, typer.Option(metavar="LENGTH", help='Radius of the weights: "45 mm".')]
Grade = Annotated[float, typer.Option(metavar="G", help="Balance grade to compare with.")]
Slopes = Annotated[
    str, typer.Option(metavar="TEXT", help='Front to back, toward the rear: "3 down, 5 down, 3 down".')
]
Sides = Annotated[str | None, typer.Option(metavar="TEXT", help='Side angles likewise: "0, 1.2 right, 0".')]
Phasing = Annotated[
    str | None, typer.Option(metavar="TEXT", help='Yoke twist of each shaft in degrees: "0".')
]
ConstantVelocity = Annotated[
    list[int] | None,
    typer.Option("--cv", metavar="N", help="Number of a constant-velocity joint, the front one is 1."),
]
Lengths = Annotated[
    str | None, typer.Option(metavar="TEXT", help='Both pieces of a two-piece shaft: "32 in, 45 in".')
]
Least = Annotated[float, typer.Option(metavar="DEG", help="Smallest working angle allowed.")]
Most = Annotated[float, typer.Option(metavar="DEG", help="Largest working angle allowed.")]
Ends = Annotated[float, typer.Option(metavar="DEG", help="How far the two angles may differ.")]
SwingBehind = Annotated[
    float,
    typer.Option(metavar="RAD/S2", help="Swing allowed behind the last joint (torsional acceleration)."),
]
SwingPulling = Annotated[
    float, typer.Option(metavar="RAD/S2", help="Swing of the shaft itself allowed, pulling.")
]
SwingCoasting = Annotated[
    float, typer.Option(metavar="RAD/S2", help="Swing of the shaft itself allowed, coasting.")
]
Diameter = Annotated[str, typer.Option(metavar="LENGTH", help='Outside diameter of the tube: "3.5 in".')]
Wall = Annotated[str, typer.Option(metavar="LENGTH", help='Wall of the tube: "0.083 in".')]
TubeLength = Annotated[
    str, typer.Option("--length", metavar="LENGTH", help='Joint center to joint center: "60 in".')
]
StuffName = Annotated[str, typer.Option("--material", metavar="NAME", help="steel, aluminum or carbon.")]
HighestRpm = Annotated[float | None, typer.Option("--max-rpm", metavar="RPM", help="Highest shaft speed.")]
TopSpeed = Annotated[
    str | None, typer.Option("--top-speed", metavar="SPEED", help='With --vehicle instead: "110 mph".')
]
Fraction = Annotated[float, typer.Option(metavar="X", help="Share of the critical speed that may be used.")]


@app.command(cls=JobCommand, short_help="Off center or out of round, and where the high spot is.")
def runout(
    readings: Readings = None,
    back: Back = None,
    high: High = None,
    low: Low = None,
    place: PlaceName = None,
    bolts: Bolts = None,
    limit: LimitText = None,
    vehicle: Profile = None,
    lever_ratio: Lever = 1.0,
    tilt: Tilt = 0.0,
    backlash: Backlash = None,
    graduation: Graduation = None,
    json: Json = None,
    plot: Plot = None,
) -> None:
    """Off center or out of round, where the high spot is, and whether it is within the limit."""
    from vibeorder.bench import answer_runout

    _check_outputs(json, plot, vehicle)
    dial = _indicator(lever_ratio, tilt, backlash, graduation)
    answer = answer_runout(
        readings, back=back, high=high, low=low, place=place, bolts=bolts, limit=limit,
        vehicle=_vehicle(vehicle), indicator=dial,
    )  # fmt: skip
    _hand_over(answer, json, plot)


@app.command(cls=JobCommand, short_help="Which of two bolted parts carries the runout.")
def halfturn(
    mount: Mounts = None,
    counted_on: CountedOn = "moved",
    fixed_name: FixedName = "flange",
    moved_name: MovedName = "shaft",
    limit: LimitText = None,
    lever_ratio: Lever = 1.0,
    tilt: Tilt = 0.0,
    json: Json = None,
    plot: Plot = None,
) -> None:
    """Which of two bolted parts carries the runout, from two or more mountings."""
    from vibeorder.bench import answer_halfturn

    _check_outputs(json, plot)
    answer = answer_halfturn(
        mount or (), counted_on=counted_on, fixed_name=fixed_name, moved_name=moved_name, limit=limit,
        indicator=_indicator(lever_ratio, tilt),
    )  # fmt: skip
    _hand_over(answer, json, plot)


@app.command(cls=JobCommand, short_help="Which way to bolt two parts, or which to replace.")
def mate(
    mount: Mounts = None,
    fixed: FixedShare = None,
    moved: MovedShare = None,
    bolts: Positions = 4,
    free: Free = False,
    counted_on: CountedOn = "moved",
    fixed_name: FixedName = "flange",
    moved_name: MovedName = "shaft",
    limit: LimitText = None,
    json: Json = None,
    plot: Plot = None,
) -> None:
    """Predicted runout at every bolt position, the best one, or which part to replace."""
    from vibeorder.bench import answer_mate

    _check_outputs(json, plot)
    answer = answer_mate(
        mount or (), fixed=fixed, moved=moved, bolts=bolts, free=free, counted_on=counted_on,
        fixed_name=fixed_name, moved_name=moved_name, limit=limit,
    )  # fmt: skip
    _hand_over(answer, json, plot)


@app.command(cls=JobCommand, short_help="What a runout pulls at speed.")
def effect(
    runout: Runout,
    mass: Mass,
    rpm: RpmList = None,
    speed: RoadSpeed = None,
    vehicle: Profile = None,
    one_end: OneEnd = False,
    critical: Critical = None,
    json: Json = None,
) -> None:
    """What a runout pulls at speed, and what grade of balance that amounts to."""
    from vibeorder.bench import answer_effect

    _check_outputs(json, None, vehicle)
    road = _shaft_rate(speed, "--speed", _vehicle(vehicle))
    rates = [*(r / 60.0 for r in rpm or ()), *([] if road is None else [road])]
    critical_hz = None if critical is None else critical / 60.0
    _hand_over(answer_effect(runout, mass, rates, one_end=one_end, critical_hz=critical_hz), json, None)


@app.command(cls=JobCommand, short_help="The correction weight, from trial runs.")
def balance(
    reference: Reference,
    run: Runs,
    order: Order = 1.0,
    runout_checked: Checked = False,
    phase_lag: PhaseLag = False,
    clamp: Clamp = None,
    after: After = None,
    radius: Radius = None,
    mass: Rotor = None,
    rpm: Rpm = None,
    grade: Grade = SHAFT_GRADE,
    json: Json = None,
    plot: Plot = None,
) -> None:
    """The correction weight, from trial runs with phase or from amplitudes alone."""
    from vibeorder.bench import answer_balance

    _check_outputs(json, plot)
    checked = runout_checked or runout_in_the_job()
    answer = answer_balance(
        reference, run, order=order, runout_checked=checked, phase_lag=phase_lag, clamp=clamp,
        after=after, radius=radius, mass=mass, rate_hz=None if rpm is None else rpm / 60.0, grade=grade,
    )  # fmt: skip
    _hand_over(answer, json, plot)


@app.command(cls=JobCommand, short_help="Joint working angles, and the shim that mends them.")
def angles(
    slopes: Slopes,
    rpm: Rpm = None,
    speed: RoadSpeed = None,
    vehicle: Profile = None,
    sides: Sides = None,
    phasing: Phasing = None,
    cv: ConstantVelocity = None,
    lengths: Lengths = None,
    least: Least = USUAL.least_deg,
    most: Most = USUAL.most_deg,
    ends: Ends = USUAL.ends_deg,
    swing_behind: SwingBehind = USUAL.torsional_rad_s2,
    swing_pulling: SwingPulling = USUAL.inertia_drive_rad_s2,
    swing_coasting: SwingCoasting = USUAL.inertia_coast_rad_s2,
    json: Json = None,
) -> None:
    """Joint working angles, what they leave over, and the shim that makes it right."""
    from vibeorder.bench import answer_angles

    _check_outputs(json, None, vehicle)
    rate = rpm / 60.0 if rpm is not None else _shaft_rate(speed, "--speed", _vehicle(vehicle))
    if rate is None:
        raise VibeorderError("no speed given; give --rpm, or --speed with --vehicle")
    limits = JointLimits(least, most, ends, swing_behind, swing_pulling, swing_coasting)
    answer = answer_angles(
        slopes, rate, sides=sides, phasing=phasing, constant_velocity=cv or (), lengths=lengths, limits=limits
    )
    _hand_over(answer, json, None)


@app.command(cls=JobCommand, short_help="Whether a driveshaft tube is turned too fast.")
def shaft(
    diameter: Diameter,
    wall: Wall,
    length: TubeLength,
    material: StuffName = "steel",
    max_rpm: HighestRpm = None,
    top_speed: TopSpeed = None,
    vehicle: Profile = None,
    fraction: Fraction = SAFETY_FRACTION,
    json: Json = None,
) -> None:
    """Critical speed of a driveshaft tube against the highest speed it is turned at."""
    from vibeorder.bench import answer_shaft

    _check_outputs(json, None, vehicle)
    road = _shaft_rate(top_speed, "--top-speed", _vehicle(vehicle))
    highest = road if max_rpm is None else max_rpm / 60.0
    answer = answer_shaft(diameter, wall, length, material=material, highest_hz=highest, fraction=fraction)
    _hand_over(answer, json, None)


def _vehicle(path: Path | None) -> "Vehicle | None":
    if path is None:
        return None
    from vibeorder.vehicle import load_vehicle

    return load_vehicle(path)


def _shaft_rate(speed: str | None, option: str, vehicle: "Vehicle | None") -> float | None:
    """Turns per second of the (rear, else front) driveshaft at a road speed."""
    if speed is None:
        return None
    if vehicle is None:
        raise VibeorderError(f"{option} needs --vehicle to know how fast the shaft turns; or give the rpm")
    from vibeorder.bench import shaft_rate_hz
    from vibeorder.units import parse_speed

    return shaft_rate_hz(parse_speed(speed).si, vehicle)


def _indicator(
    lever_ratio: float, tilt: float, backlash: str | None = None, graduation: str | None = None
) -> "Indicator":
    from vibeorder.bench import Indicator
    from vibeorder.units import parse_length

    lost, step = (0.0 if t is None else parse_length(t).si for t in (backlash, graduation))
    return Indicator(graduation_m=step, backlash_m=lost, lever_ratio=lever_ratio, tilt_deg=tilt)


def _check_outputs(json: str | None, plot: Path | None, vehicle: Path | None = None) -> None:
    door.check_outputs(json, {"--plot": plot}, [] if vehicle is None else [vehicle])


def _hand_over(answer: "Answer", json: str | None, plot: Path | None) -> None:
    """Files first, so that a report on the screen means that they are there."""
    from json import dumps

    from vibeorder.bench import as_json, render, save_figure

    if plot is not None and answer.figure is not None:
        figure = answer.figure()
        door.write_output(plot, "--plot", lambda path: save_figure(figure, path))
    content = as_json(answer.command, answer.result, answer.sheet)
    text = dumps(content, indent=2, ensure_ascii=False) + "\n"
    if json is not None and json != "-":
        door.write_output(Path(json), "--json", lambda path: path.write_text(text, "utf-8"))
    door.say(f"{answer.sheet.sentence}\n" if json == "-" else render(answer.sheet) + "\n", aside=json == "-")
    if json == "-":
        door.say(text)
    keep_reading(content, aside=json == "-")
    if plot is not None and answer.figure is None:  # said last: it takes nothing from what was found
        door.say(
            f"There is nothing to draw, so {plot} is not written: a polar picture needs all readings, or vectors "
            "with angles.\n",
            aside=True,
        )
