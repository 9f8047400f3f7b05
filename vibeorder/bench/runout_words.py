"""A runout in words: the sentence a technician would say, the numbers, the next step."""

from vibeorder.bench.readings import Readings, name_angle
from vibeorder.bench.runout import SHAPE_SIGMAS, Runout, Wave
from vibeorder.bench.sheet import Sheet, plus_minus_length
from vibeorder.units import show_length

__all__ = ["runout_sheet"]

_SHAPES = {2: "oval", 3: "three-lobed"}
# Twice a bare high spot's error beyond which its direction is not worth naming.
VAGUE_DEG = 60.0


def runout_sheet(result: Runout, unit: str, readings: Readings | None = None) -> Sheet:
    """The result in the user's unit; places are named the way `readings` names them."""
    return Sheet(_sentence(result, unit, readings), _numbers(result, unit, readings), _notes(result))


def _sentence(result: Runout, unit: str, readings: Readings | None) -> str:
    what = result.place.label if result.place else "runout"
    tir = show_length(result.tir_m, unit)
    text = f"{what[0].upper()}{what[1:]}: {tir} total, {_verdict(result, unit)}"
    if result.suspect is not None and readings is not None:
        spot = name_angle(result.angles_deg[result.suspect], readings)
        return f"{text} One reading stands alone, at {spot}: clean that spot and read it again."
    if result.angle_se_deg <= VAGUE_DEG:
        spot = name_angle(result.offset.angle_deg, readings)
        text += f" High spot at {spot}, give or take {max(1.0, 2.0 * result.angle_se_deg):.0f} deg (95%)."
    shapes = [
        _SHAPES[w.order] for w in result.waves if _clear(w) and w.amplitude_m > 0.5 * result.offset.length
    ]
    if shapes:
        text += f" It is {' and '.join(shapes)} as well as off center; only the latter moves with mating."
    return text


def _clear(wave: Wave) -> bool:
    return wave.amplitude_m > SHAPE_SIGMAS * wave.amplitude_se_m


def _verdict(result: Runout, unit: str) -> str:
    if result.limit is None:
        return "no limit given: take it from the service information."
    limit = show_length(result.limit.limit_m, unit)
    if not result.limit.usual and not result.limit.given.endswith(unit):
        limit += f" ({result.limit.given})"
    named = f"the common-practice limit of {limit}" if result.limit.usual else f"the limit of {limit}"
    if result.verdict == "too close to call":
        return f"too close to call against {named}: measure again."
    return f"{result.verdict} {named}."


def _numbers(result: Runout, unit: str, readings: Readings | None) -> tuple[tuple[str, str], ...]:
    vague = result.angle_se_deg > VAGUE_DEG
    spot = "no clear direction" if vague else name_angle(result.offset.angle_deg, readings)
    name = "wobble" if result.place and result.place.kind == "lateral" else "off center"
    rows = [
        ("total indicator reading", plus_minus_length(result.tir_m, result.tir_se_m, unit)),
        (f"{name} (1x), amplitude", plus_minus_length(result.offset.length, result.offset.length_se, unit)),
        ("high spot", spot if vague else f"{spot} ± {_degrees(result.angle_se_deg)}"),
    ]
    rows += [(f"{_SHAPES[w.order]} ({w.order}x), amplitude", _wave(w, unit)) for w in result.waves]
    rows.append(("error of one reading", show_length(result.reading_u_m, unit)))
    if result.tir_without_m is not None:
        rows.append(("total without the bad spot", show_length(result.tir_without_m, unit)))
    if result.backlash_m is not None:
        rows.append(("backlash of the indicator", show_length(result.backlash_m, unit)))
    if result.closing_m is not None:
        rows.append(("start read again", f"{show_length(result.closing_m, unit)} off"))
    return tuple(rows)


def _degrees(se_deg: float) -> str:
    """A standard error of an angle: to a tenth below one degree, since none is known to nothing."""
    return f"{se_deg:.0f} deg" if se_deg >= 0.95 else f"{max(0.1, se_deg):.1f} deg"


def _wave(wave: Wave, unit: str) -> str:
    return plus_minus_length(wave.amplitude_m, wave.amplitude_se_m, unit) + (
        "" if _clear(wave) else ", not clear"
    )


def _notes(result: Runout) -> tuple[str, ...]:
    notes = list(result.notes)
    if result.closing_m is not None and abs(result.closing_m) > 3.0 * result.reading_u_m:
        notes.append(
            "The start reads differently after a full turn: the stand or the part moved; read again."
        )
    if result.place is not None and result.verdict != "within":
        notes.append(f"Above the limit it means: {result.place.above}.")
        notes.append(f"Next: {result.place.next_step}")
    if result.place is not None:
        notes += result.place.cautions
    if result.limit is not None and result.limit.usual:
        notes.append(
            f"The limit is common practice, no source ({result.limit.given}): "
            "the vehicle's service information decides."
        )
    return tuple(notes)
