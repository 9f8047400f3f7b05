"""From probabilities to what a technician does next: the verdict and the runout check."""

from collections.abc import Sequence
from dataclasses import replace

from vibeorder.diagnosis.judge import Unowned
from vibeorder.diagnosis.result import LineSeen, Mismatch, NextDrive, RunoutCheck, Suspect
from vibeorder.units import show_percent
from vibeorder.vehicle import RUNOUT_BEFORE_BALANCE

__all__ = ["named_as_one", "next_hold", "runout_check", "settle_profile", "top_group", "verdict"]

SURE, LIKELY = 0.9, 0.5
"""From here a part is named with confidence; from here as the likeliest, and its measuring sheet is offered."""

WORTH_NAMING = 0.08
"""Share of its group's probability from which a suspect is named in the verdict."""

MOST_NAMED = 3
UNNAMED = 0.05
"""How many suspects a verdict names, and what their unnamed twins may carry without a word."""

MANY = 2
"""Unnamed twins from which the verdict says that it cannot tell which part it is, before it names any."""

OTHER_RPM = 1.2
"""Engine speed of the next recording made standing still, over that of this one: off any resonance that answered."""

RUNOUT_FROM = 0.4
"""Probability that the cause is a part whose runout can be measured, from which the check is warranted."""


def top_group(suspects: Sequence[Suspect]) -> tuple[list[Suspect], float]:
    """The suspects of the likeliest group of indistinct ones, and their shared probability."""
    best: list[Suspect] = []
    best_p = 0.0
    for suspect in suspects:
        twins = set(suspect.indistinct_from)
        group = [s for s in suspects if s is suspect or (s.part, s.order) in twins]
        p = sum(s.probability for s in group)
        if p > best_p + 1e-9:
            best, best_p = group, p
    return sorted(best, key=lambda s: -s.probability), best_p


def named_as_one(suspects: Sequence[Suspect]) -> tuple[Suspect, ...]:
    """The suspects, those whom the verdict names together each with all the others among its indistinct ones.

    Each of them may be the line of the one between them; what is said in the sentence is to stand in every one's row.
    """
    keys = [(s.part, s.order) for s in top_group(suspects)[0]]
    return tuple(
        replace(s, indistinct_from=tuple(sorted({*s.indistinct_from, *keys} - {(s.part, s.order)})))
        if (s.part, s.order) in keys
        else s
        for s in suspects
    )


def verdict(
    suspects: Sequence[Suspect],
    nothing: float,
    mismatch: Mismatch | None = None,
    unexplained: LineSeen | None = None,
    unowned: Unowned | None = None,
) -> str:
    """One plain sentence: which part, which order, how sure; or that nothing that turns explains it.

    The probability stated is that of the parts named; what their unnamed twins carry is said beside it.
    Where the vehicle as typed in does not fit, that is said instead, and no part is named. unexplained: a strong line
    at no part's rate, or None. unowned: a line of nothing that turns, or None.
    """
    if mismatch is not None:
        return f"{mismatch.sentence} Until that is settled no part is named."
    group, p = top_group(suspects)
    if nothing >= max(p, LIKELY):
        return _of_no_part(nothing, unexplained, unowned)
    if not group:
        return "This recording names no part."
    named = _named(group, p)
    share = sum(s.probability for s in named)
    names = " or the ".join(s.label for s in named)
    at = next((s for s in named if s.frequency_hz is not None), None)
    where = f" at {at.frequency_hz:.1f} Hz" if at is not None and at.frequency_hz is not None else ""
    if p < LIKELY:
        return f"Not settled: the likeliest is the {names}{where}, at only {show_percent(share)}; see the next drive."
    others = len(group) - len(named)
    if p - share > UNNAMED and others >= MANY:
        return (
            f"This recording cannot tell which part shakes{where}: the {names} ({show_percent(share)}), "
            f"or one of {others} others; all of them together {show_percent(p)}."
        )
    if p < SURE or share < LIKELY:
        text = f"Most likely it is the {names}{where} ({show_percent(share)}), but that is not settled"
    else:
        text = f"It is the {names}{where}: {show_percent(share)} sure"
    if len(named) > 1:
        text += "; this recording cannot tell which of these"
    if p - share > UNNAMED:
        text += f"; together with others that it cannot tell from them, {show_percent(p)}"
    return text + "."


def _of_no_part(nothing: float, unexplained: LineSeen | None, unowned: Unowned | None) -> str:
    if unowned is not None:
        told = _of_joints if unowned.spacing_m > 0.0 else _of_something_loose
        return told(unowned, nothing)
    if unexplained is not None:
        return _of_unknown_origin(unexplained, nothing)
    return f"{_nothing_turns(nothing)}."


def _nothing_turns(nothing: float) -> str:
    return f"Nothing that turns explains a complaint in this recording ({show_percent(nothing)} sure)"


def _of_unknown_origin(line: LineSeen, nothing: float) -> str:
    share = show_percent(nothing)
    return (
        f"There is a shake at {line.frequency_hz:.1f} Hz ({line.amplitude:.2g} m/s^2), and no part turns at that rate "
        f"as vehicle, gear and speed were given ({share} that it is none of the parts listed). Check the profile (axle "
        "and gear ratios, tire size, belt-driven parts), the gear and the speed; where all are right, record the next "
        "drive."
    )


def _of_joints(unowned: Unowned, nothing: float) -> str:
    return (
        f"{_nothing_turns(nothing)}: the shake at {unowned.frequency_hz:.1f} Hz, with weaker ones beside it, fits the "
        f"joints of a concrete road, one every {unowned.spacing_m:.1f} m. Drive an asphalt road at the same speed; "
        "if the shake stays, record it there."
    )


def _of_something_loose(unowned: Unowned, nothing: float) -> str:
    return (
        f"{_nothing_turns(nothing)}: the shake at {unowned.frequency_hz:.1f} Hz comes and goes as something loose does "
        "that the road shakes. Look at the phone's own holder first: lay the phone flat on the floor, weighed down, "
        "and record again; if the shake stays, look for a loose bracket, panel or load."
    )


def _named(group: Sequence[Suspect], p: float) -> list[Suspect]:
    """The members that carry the group's probability; one with hardly any of it is left to the table."""
    return [s for s in group if s.probability >= WORTH_NAMING * p][:MOST_NAMED]


def settle_profile(mismatch: Mismatch) -> NextDrive:
    """What comes before any further drive where the vehicle as typed in does not fit."""
    return NextDrive(
        f"None yet: {_TO_CHECK[mismatch.what]}, correct the vehicle, and diagnose this recording again.",
        "a line of it keeps step with what turns, but not at a rate that this profile has"
        if mismatch.clear
        else "another profile explains this recording better than the one typed in",
    )


def next_hold(suspects: Sequence[Suspect], nothing: float, engine_hz: float) -> NextDrive | None:
    """What to record next where the vehicle stood; None where what was recorded settles it."""
    if nothing >= SURE or top_group(suspects)[1] >= SURE:
        return None
    other = 50.0 * round(60.0 * engine_hz * OTHER_RPM / 50.0)
    return NextDrive(
        f"Standing still, hold the engine at {other:.0f} rpm for half a minute and record again.",
        "what the engine turns shakes at another rate then, a resonance of the body stays where it is",
    )


_TO_CHECK = {
    "axle_ratio": "read the ratio off the axle tag or count the turns of the driveshaft for one of the wheel",
    "motor_ratio": "look up the motor's reduction",
    "tire_size": "read the size off the tires, or measure what one rolls in a turn",
    "pulley_ratio": "measure the pulleys of what the belt drives",
    "unlisted": "check axle and gear ratios, the tire size and the pulleys",
}


def runout_check(
    suspects: Sequence[Suspect],
    where_of: dict[tuple[str, float], str],
    nothing: float,
    mismatch: Mismatch | None = None,
) -> RunoutCheck:
    """Whether a dial indicator is warranted, and where it goes first."""
    if mismatch is not None:
        fits = "does not fit" if mismatch.clear else "may not fit"
        return RunoutCheck(False, "", f"the vehicle as typed in {fits} this recording: settle that first")
    group, p = top_group(suspects)
    measurable = [s for s in _named(group, p) if where_of.get((s.part, s.order))]
    share = sum(s.probability for s in measurable)
    if measurable and p >= LIKELY and share >= RUNOUT_FROM:
        return RunoutCheck(True, _places(measurable, where_of), _worth_measuring(measurable, share))
    if nothing >= max(p, LIKELY):
        return RunoutCheck(False, "", "no part's line is as strong as a complaint; measure nothing yet")
    if group and p >= LIKELY and not measurable:
        return RunoutCheck(
            False, "", f"the {group[0].label} is not found with a dial indicator. {group[0].first_check}"
        )
    if measurable:
        names = " or the ".join(one.label for one in measurable)
        return RunoutCheck(
            False,
            "",
            f"the {names} is only {show_percent(share)} likely: settle it with the next drive first",
        )
    return RunoutCheck(False, "", "no part stands out enough to measure; settle it with the next drive first")


def _places(measurable: Sequence[Suspect], where_of: dict[tuple[str, float], str]) -> str:
    """Where the dial goes; for each part by its name where more than one is meant, since any of them may be it."""
    by_place: dict[str, list[str]] = {}
    for one in measurable:
        by_place.setdefault(where_of[(one.part, one.order)], []).append(one.label)
    if len(by_place) == 1:
        return next(iter(by_place))
    return "; ".join(f"for the {' or the '.join(labels)}: {place}" for place, labels in by_place.items())


def _worth_measuring(measurable: Sequence[Suspect], share: float) -> str:
    """Why the dial is worth fetching; the figure is that of all parts named, so all of them are named with it."""
    first_orders = [one.order == 1.0 for one in measurable]
    cause = "runs out or is out of balance" if all(first_orders) else "is out of round"
    if any(first_orders) and not all(first_orders):
        cause = "runs out, is out of round or out of balance"
    names = " or the ".join(one.label for one in measurable)
    which = "This recording cannot tell which of these it is. " if len(measurable) > 1 else ""
    open_still = "" if share >= SURE else "That is not settled: measure to settle it. "
    return (
        f"a line of this strength at the place of the {names} comes from a part that {cause}, and that is "
        f"{show_percent(share)} likely. {which}{open_still}{RUNOUT_BEFORE_BALANCE}"
    )
