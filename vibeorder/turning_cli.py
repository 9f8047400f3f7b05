"""`vibeorder turning ...`: a part that turns at a known rate outside a vehicle. Nothing is computed here."""

import sys
from dataclasses import asdict
from json import dumps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibeorder import door
from vibeorder.errors import VibeorderError
from vibeorder.recording_words import Axes, Rate, TimeColumn, Unit

if TYPE_CHECKING:
    from vibeorder.recording import Recording
    from vibeorder.spectrum.turning import NamedLine, OrderRow, Turning

__all__ = ["app"]

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Orders of a part turning at a known rate.",
)

Shake = Annotated[Path, typer.Argument(metavar="RECORDING", help="Phone or accelerometer recording.")]
RateOfTurn = Annotated[
    str | None,
    typer.Option(
        "--rate-of-turn",
        "--turning",
        metavar="RATE",
        help='How fast the part turns, to a few percent: "1800 rpm", "10.8 Hz".',
    ),
]
MarkColumn = Annotated[
    str | None, typer.Option(metavar="NAME", help="Column with a once-a-turn mark, by name or number.")
]
Begin = Annotated[
    str | None, typer.Option("--from", metavar="TIME", help='Leave out what is before: "60 s".')
]
End = Annotated[str | None, typer.Option("--to", metavar="TIME", help='Leave out what is after: "120 s".')]
JsonFile = Annotated[
    str | None, typer.Option(metavar="FILE", help="Write the result as JSON; - writes it to standard output.")
]


@app.command()
def turning(
    recording: Shake,
    rate_of_turn: RateOfTurn = None,
    mark_column: MarkColumn = None,
    begin: Begin = None,
    end: End = None,
    time_column: TimeColumn = None,
    axes: Axes = None,
    unit: Unit = None,
    rate: Rate = None,
    json: JsonFile = None,
) -> None:
    """Print the orders of a part that turns at a known rate, and which lines are none of its orders."""
    from vibeorder.recording import read_apart, typed_options
    from vibeorder.spectrum import turning_orders
    from vibeorder.units import parse_rotation

    door.check_outputs(json, {}, [recording])
    given_hz = None if rate_of_turn is None else parse_rotation(rate_of_turn).si
    options = typed_options(time_column=time_column, axes=axes, unit=unit, mark_column=mark_column, rate=rate)
    read = read_apart(recording, options)
    marks = read.mark_times_s
    if given_hz is None and marks is None:
        raise VibeorderError(
            f'{recording.name}: how fast does it turn? --rate-of-turn "1800 rpm" says it, or --mark-column '
            "names the column of a once-a-turn mark"
        )
    first, last = _stretch(read, begin, end)
    inside = None if marks is None else marks - read.start_s - first / read.rate_hz
    if inside is not None:
        inside = inside[(inside >= 0.0) & (inside <= (last - first) / read.rate_hz)]
    result = turning_orders(
        read.samples[:, first:last], read.valid[first:last], read.rate_hz,
        turn_rate_hz=given_hz, mark_times_s=inside,
    )  # fmt: skip
    _hand_over(result, read, json)


def _stretch(recording: "Recording", begin: str | None, end: str | None) -> tuple[int, int]:
    """First sample and the one after the last, of the stretch that is looked at."""
    from vibeorder.units import parse_time

    count = recording.samples.shape[1]
    first = 0 if begin is None else round(parse_time(begin).si * recording.rate_hz)
    last = count if end is None else min(count, round(parse_time(end).si * recording.rate_hz))
    if not 0 <= first < last:
        raise VibeorderError(
            f"--from {begin or 0} --to {end or 'the end'} leaves nothing of {recording.duration_s:.1f} s"
        )
    return first, last


def _hand_over(result: "Turning", recording: "Recording", json: str | None) -> None:
    text = _text(result, recording)
    if json is not None:
        content = {"schema": 1, "recording": recording.source, "unit": recording.unit, **asdict(result)}
        content |= {"axes": recording.channels, "history": recording.history}
        written = dumps(content, indent=2, ensure_ascii=False) + "\n"
        if json != "-":
            door.write_output(Path(json), "--json", lambda path: path.write_text(written, "utf-8"))
        else:
            door.say(text.splitlines()[0] + "\n", aside=True)
            door.say(written)
            return
    door.say(text)


def _text(result: "Turning", recording: "Recording") -> str:
    from vibeorder.units import show_unit

    unit = show_unit(recording.unit)
    said = [_rate_words(result), "", *_order_table(result.orders, recording.channels, unit), ""]
    said += ["Lines, strongest over the noise first", *(_line_words(one, unit) for one in result.lines)]
    if not result.lines:
        said.append("  none stands out of the noise")
    if result.marked:
        said += ["", *_phase_words(result)]
    notes = [*result.notes, *recording.history]
    return "\n".join([*said, "", *(f"Note: {note}." for note in notes)]) + "\n"


def _rate_words(result: "Turning") -> str:
    rpm, rpm_se = 60.0 * result.rate_hz, 60.0 * result.rate_se_hz
    words = f"{rpm:.1f} ± {rpm_se:.2g} rpm ({result.rate_hz:.3f} Hz)"
    if result.marked:
        return f"The part turns at {words}, by its mark."
    given = f"{60.0 * (result.given_hz or 0.0):.0f} rpm given"
    if not result.confirmed:
        return f"No line keeps to {given}."
    lines = "one line" if result.confirmed == 1 else f"{result.confirmed} lines"
    return f"The part turns at {words}: {given}, fitted to {lines}."


def _order_table(orders: "tuple[OrderRow, ...]", axes: tuple[str, ...], unit: str) -> list[str]:
    heads = f"{'order':>6}  {'Hz':>7}  {'peak ' + unit:>12}  {'±':>9}  {'over noise':>10}"
    lines = [heads]
    for row in orders:
        text = f"{row.order:5g}x  {row.frequency_hz:7.2f}  "
        if row.seen:
            text += f"{row.amplitude:12.4g}  {row.amplitude_se:9.2g}  {row.snr_db:7.0f} dB"
        else:  # what was read there is mostly noise: only how strong the order may be at most is known
            most = f"under {float(f'{row.amplitude + 2.0 * row.amplitude_se:.2g}'):g}"
            text += f"{most:>12}  {'-':>9}  {'not seen':>10}"
        if row.seen and row.phases_deg:
            each = zip(axes, row.axis_amplitudes, row.phases_deg, row.phases_se_deg, strict=True)
            text += "  " + ", ".join(f"{name} {a:.4g} at {p:.0f} ± {s:.0f} deg" for name, a, p, s in each)
        lines.append(text)
    return lines


def _phase_words(result: "Turning") -> list[str]:
    """What the phases mean, and the first order as the balance calculation takes it."""
    said = ["Phase: by which the shake's maximum leads the mark, in degrees of that order's own cycle."]
    first = next((row for row in result.orders if row.order == 1.0 and row.seen), None)
    if first is not None:
        each = zip(first.axis_amplitudes, first.phases_deg, strict=True)
        typed = ", ".join(f"{a:.4g}@{p % 360.0:.0f}" for a, p in each)
        said += [
            "For the balance calculation, weights counted from the mark the way it turns:",
            f'  vibeorder bench balance --reference "{typed}" ...',
        ]
    return said


def _line_words(one: "NamedLine", unit: str) -> str:
    line = one.line
    text = f"{line.frequency_hz:8.2f} ± {line.frequency_se_hz:.2f} Hz  {line.amplitude:9.4g} {unit}  "
    if one.order is None:
        return f"{text}no order ({one.times_rate:.3f} times the rate): fixed, or another part"
    return f"{text}{one.order:g}x" + (" (folded: above half the sample rate)" if one.folded else "")


if __name__ == "__main__":
    sys.exit(door.walk_out(app))
