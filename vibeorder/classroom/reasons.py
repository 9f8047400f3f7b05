"""Why it was that part: sentences for the reveal, each with what was expected and what the recording shows."""

from vibeorder.classroom.lesson import Lesson, source_name
from vibeorder.classroom.mystery import NOTHING, Answer, Riddle
from vibeorder.classroom.shake import Moment, ShakeView, measured_hz, moments_of
from vibeorder.units import show_speed
from vibeorder.vehicle import order_text, order_words, part_text, rotors, sources_of

__all__ = ["reasons_of", "why_not"]

STAYS = 0.05
"""Relative change below which a line is said to stay."""
Course = tuple[tuple[Moment, float, float | None], ...]


def reasons_of(riddle: Riddle, view: ShakeView, unit: str = "mph") -> tuple[str, ...]:
    """What a class should have seen: rates, movement with speed, the gear change, twins, the check that follows.

    Plain sentences, most telling first. Where a line does not stand out of the noise they say so.
    unit: of the road speeds.
    """
    if riddle.truth == NOTHING:
        return (
            "Nothing that turns was at fault. Every line in the map is as strong as in any sound vehicle: "
            "tires, shafts and cylinders always leave a little.",
            "Road noise and body modes stand still in the map while the parts' lines move with the speed.",
        )
    part, order = riddle.truth
    course = _course(riddle.lesson, view, part, order)
    return (
        _rates(course, part, order, unit),
        *_movement(course, part, riddle.lesson, unit),
        *_shift(course, riddle.lesson),
        *_twins(riddle),
        _check(riddle),
    )


def why_not(riddle: Riddle, answer: Answer, unit: str = "mph") -> str:
    """What speaks against an answer that is not right, in one sentence; '' for a right one."""
    truth = riddle.truth
    if answer == truth or answer in riddle.group:
        return ""
    if answer == NOTHING:
        return "There is a line that stands clear of the noise and moves as a part does."
    name = source_name(*answer)
    m = moments_of(riddle.lesson)[0]
    own = f"{name} would run at {_expected(m, *answer):.1f} Hz at {_at(m, unit)}"
    if truth == NOTHING:
        return f"{own}; what is there is no stronger than in a sound vehicle."
    return f"{own}; the fault runs at {_expected(m, *truth):.1f} Hz there."


def _course(lesson: Lesson, view: ShakeView, part: str, order: float) -> Course:
    """(moment, expected, measured) at each moment; looked for where the line truly is."""
    track = next(one for one in lesson.tracks if (one.part, one.order) == (part, order))
    found = []
    for moment in moments_of(lesson):
        i = int(min(range(track.times_s.size), key=lambda k: abs(track.times_s[k] - moment.time_s)))
        at = None if lesson.plan.drive.kind == "steady" else moment.time_s
        seen = measured_hz(view, at, float(track.seen_hz[i]))
        found.append((moment, _expected(moment, part, order), seen))
    return tuple(found)


def _expected(moment: Moment, part: str, order: float) -> float:
    return moment.rates_hz[part] * order


def _at(moment: Moment, unit: str) -> str:
    return show_speed(moment.speed_mps, unit)


def _rates(course: Course, part: str, order: float, unit: str) -> str:
    seen = [(m, e, f) for m, e, f in course if f is not None]
    if not seen:
        m, e, _ = course[0]
        return (
            f"The line of {source_name(part, order)} is expected at {e:.1f} Hz at {_at(m, unit)}; in this "
            "recording it hardly stands out of the noise, which made this a hard question."
        )
    m, e, f = seen[0]
    turns = e / order
    off = 100.0 * (f / e - 1.0)
    many = "" if order == 1.0 else f", {order_text(order)} of that is {e:.1f} Hz"
    return (
        f"Expected: at {_at(m, unit)} the {part_text(part)} turns {turns:.1f} times a second{many}. Measured: "
        f"{f:.1f} Hz, {abs(off):.1f}% {'above' if off >= 0 else 'below'} it. (What the tire truly rolls leaves "
        "one to three percent open, and a reading off the map a quarter of a hertz.)"
    )


def _movement(course: Course, part: str, lesson: Lesson, unit: str) -> tuple[str, ...]:
    (a, ea, fa), (b, eb, fb) = course[0], course[-1]
    if lesson.plan.drive.kind == "steady":
        return (
            "The speed was held, so no line moves: only its frequency speaks. A drive with changing speed would "
            "have said more.",
        )
    hz_a, hz_b = fa or ea, fb or eb
    speeds = b.speed_mps / a.speed_mps
    change = hz_b / hz_a
    said = f"From {_at(a, unit)} to {_at(b, unit)} the line went from {hz_a:.1f} to {hz_b:.1f} Hz"
    if lesson.plan.drive.kind == "coast":
        if _road_driven(lesson, part):
            return (f"{said}, in step with the road speed, though the engine only idled: no engine part.",)
        return (f"{said}: it stayed where the idling engine is while the road speed changed.",)
    if abs(change / speeds - 1.0) < STAYS:
        return (f"{said}: times {change:.2f}, as the road speed (times {speeds:.2f}).",)
    return (f"{said}: times {change:.2f}, while the road speed went times {speeds:.2f}.",)


def _shift(course: Course, lesson: Lesson) -> tuple[str, ...]:
    changes = lesson.plan.drive.gears
    if len(changes) < 2:
        return ()
    (before, eb, fb), (after, ea, fa) = course[1], course[2]
    first, second = changes[0][1], changes[1][1]
    jump = (fa or ea) / (fb or eb) * before.speed_mps / after.speed_mps
    gears = lesson.plan.vehicle.gears
    step = gears[second - 1] / gears[first - 1]
    said = f"At the change from gear {first} to gear {second} the line "
    at = f"({fb or eb:.1f} Hz before, {fa or ea:.1f} Hz after)"
    if abs(jump - 1.0) < STAYS:
        return (
            f"{said}kept its place {at} while the engine fell by {100 * (1 - step):.0f}%: it turns behind the "
            "gearbox, with the road.",
        )
    return (f"{said}fell with the engine {at}: it turns with the engine, before the gearbox.",)


def _twins(riddle: Riddle) -> tuple[str, ...]:
    if len(riddle.group) < 2:
        return ()
    names = ", ".join(source_name(*one) for one in riddle.group[1:])
    drive = riddle.lesson.plan.drive
    bases = {_road_driven(riddle.lesson, part) for part, _ in riddle.group}
    if len(bases) == 2:
        advice = "another gear, or coasting in neutral, parts engine from road"
    elif drive.kind != "steady" and len({order for _, order in riddle.group}) == 1:
        advice = "no drive parts what turns at one rate: swap, take off or measure"
    else:
        advice = "no gear parts them; swap, take off or measure"
    return (
        f"The recording cannot tell it from {names}: answering so counts as right. For the truth: {advice}.",
    )


def _check(riddle: Riddle) -> str:
    part, order = riddle.truth
    source = next(
        one for one in sources_of(riddle.lesson.plan.vehicle) if (one.part, one.order) == (part, order)
    )
    return f"A {order_words(order)} of this part usually means: {source.causes[0]}. First check: {source.first_check}"


def _road_driven(lesson: Lesson, part: str) -> bool:
    return any(one.part == part and one.basis == "wheel" for one in rotors(lesson.plan.vehicle))
