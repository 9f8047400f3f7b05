"""A lesson or a round of riddles, driven in a child process; what is made lies in the task's folder.

lesson.json             {"kind": "lesson" | "round", "questions": how many}
1/question.json         what may be seen: picture, drive, rates; of a lesson also its lines and what is wrong
1/recording.csv, 1/map-day.png, 1/map-night.png, 1/shake.wav
1/line-01.wav, ...      of a lesson: each order alone
1/truth.json            of a riddle: what is wrong, why, and the lines. No page serves it; `pages/classroom.py`
                        reads it for the score, and shows it after the reveal
1/truth.wav             of a riddle: the faulty order alone, likewise
2/...                   the second riddle, and so on
"""

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vibeorder.classroom import Lesson, Plan, Riddle, ShakeView
    from vibeorder.vehicle import Vehicle

__all__ = ["LESSON_FILE", "QUESTION_FILE", "TRUTH_FILE", "plan_of", "run"]

LESSON_FILE, QUESTION_FILE, TRUTH_FILE = "lesson.json", "question.json", "truth.json"
Progress = Callable[[str, float], None]


def run(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    """Make what `arguments["mode"]` says ("lesson" or "round"). Raises VibeorderError.

    A lesson's arguments: vehicle (sections of a profile), fault ([part, order, m/s^2 rms] or None), kind,
    low_mps, high_mps, gear, next_gear, road, duration_s, rate_hz, seed, unit.
    A round's: vehicles (a list of such), questions, level, seed, unit.
    """
    if arguments["mode"] == "lesson":
        _write_lesson(folder, plan_of(arguments), str(arguments["unit"]), progress)
        count = 1
    else:
        count = _write_round(folder, arguments, progress)
    _write(folder / LESSON_FILE, {"kind": arguments["mode"], "questions": count})
    progress("done", 1.0)


def plan_of(arguments: Mapping[str, Any]) -> "Plan":
    """The plan that a lesson's arguments describe. Raises VibeorderError."""
    from vibeorder.classroom import Plan, plan_drive
    from vibeorder.simulate import Fault

    vehicle = _vehicle(arguments["vehicle"])
    drive = plan_drive(
        vehicle, arguments["kind"], arguments["low_mps"], arguments["high_mps"], arguments["gear"],
        arguments["next_gear"], arguments["duration_s"],
    )  # fmt: skip
    return Plan(
        vehicle,
        None if arguments["fault"] is None else Fault(*arguments["fault"]),
        drive,
        arguments["road"],
        arguments["duration_s"],
        arguments["rate_hz"],
        arguments["seed"],
    )


def _vehicle(sections: Mapping[str, Any]) -> "Vehicle":
    from vibeorder.vehicle import parse_vehicle

    return parse_vehicle(sections, "vehicle")


def _write_lesson(folder: Path, plan: "Plan", unit: str, progress: Progress) -> None:
    from vibeorder.classroom import audible_orders, audible_shake, run_lesson, shake_view, wav_bytes
    from vibeorder.web.lesson_picture import LETTERED, track_values

    progress("driving", 0.0)
    lesson = run_lesson(plan)
    view = shake_view(lesson.test)
    progress("drawing", 0.3)
    own = _seen(folder / "1", lesson, view, unit)
    tracks = lesson.tracks[:LETTERED]
    own["tracks"] = track_values(tracks)
    fault = next((one for one in lesson.tracks if one.is_fault), None)
    own["fault"] = fault and {"label": fault.label, "name": fault.name, "rms_mps2": fault_rms(plan)}
    progress("making it audible", 0.5)
    (folder / "1" / "shake.wav").write_bytes(wav_bytes(audible_shake(lesson)))
    for i, sound in enumerate(audible_orders(lesson, tracks), 1):
        (folder / "1" / f"line-{i:02d}.wav").write_bytes(wav_bytes(sound))
    _write(folder / "1" / QUESTION_FILE, own)


def _write_round(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> int:
    from vibeorder.classroom import audible_shake, make_round, riddle_of, shake_view, wav_bytes

    vehicles = [_vehicle(one) for one in arguments["vehicles"]]
    plans = make_round(vehicles, arguments["questions"], arguments["level"], arguments["seed"])
    unit = str(arguments["unit"])
    for number, plan in enumerate(plans, 1):
        # the same words whatever is driven: whoever watches the progress learns nothing
        progress(f"recording {number} of {len(plans)}", (number - 1) / len(plans))
        riddle = riddle_of(plan)
        view = shake_view(riddle.lesson.test)
        own = folder / str(number)
        _write(own / QUESTION_FILE, _seen(own, riddle.lesson, view, unit))
        (own / "shake.wav").write_bytes(wav_bytes(audible_shake(riddle.lesson)))
        _write(own / TRUTH_FILE, _truth(own, riddle, view, unit))
    return len(plans)


def _seen(own: Path, lesson: "Lesson", view: "ShakeView", unit: str) -> dict[str, Any]:
    """What may be seen before any reveal; writes recording and map."""
    from vibeorder.classroom import FACTOR, moments_of, strongest
    from vibeorder.simulate import write_log
    from vibeorder.units import show_speed
    from vibeorder.vehicle import part_text
    from vibeorder.web.draw.png import ink_png
    from vibeorder.web.lesson_picture import lesson_picture, level_pixels
    from vibeorder.web.view import DAY_INK, MAP_DAY, MAP_NIGHT, NIGHT_INK

    own.mkdir(exist_ok=True)
    write_log(lesson.test, own / "recording.csv")
    pixels = level_pixels(lesson, view)
    (own / MAP_DAY).write_bytes(ink_png(pixels, DAY_INK))
    (own / MAP_NIGHT).write_bytes(ink_png(pixels, NIGHT_INK))
    moments = moments_of(lesson)
    return {
        "vehicle": lesson.plan.vehicle.name,
        "facts": _facts(lesson),
        "picture": lesson_picture(lesson, view, unit),
        "moments": [
            {"time": f"{m.time_s:g} s", "speed": show_speed(m.speed_mps, unit), "gear": _gear(lesson, m.gear)}
            for m in moments
        ],
        "rates": [
            {"part": part, "name": part_text(part), "hz": [f"{m.rates_hz[part]:.1f}" for m in moments]}
            for part in moments[0].rates_hz
        ],
        "strongest": [[f"{t:g} s", [f"{hz:.1f}" for hz in seen]] for t, seen in strongest(view)],
        "factor": FACTOR,
        "choices": _choices(lesson),
    }


def _facts(lesson: "Lesson") -> list[str]:
    """How it was driven, and with what."""
    from vibeorder.classroom import ROADS

    plan, vehicle = lesson.plan, lesson.plan.vehicle
    kind = {"steady": "speed held", "sweep": "speed swept", "coast": "coasting in neutral, engine at idle"}
    facts = [kind.get(plan.drive.kind, plan.drive.kind)]
    if len(plan.drive.gears) > 1:
        at, number = plan.drive.gears[1]
        facts[0] += f", gear {plan.drive.gears[0][1]}, from {at:g} s gear {number}"
    elif plan.drive.gears:
        facts[0] += f", gear {plan.drive.gears[0][1]}"
    facts.append(f"road: {ROADS[plan.road][0]}")
    facts.append(f"{plan.duration_s:g} s at {plan.rate_hz:g} samples a second, the phone lying any way round")
    facts.append(f"tire {vehicle.tire.given}")
    if vehicle.axle_ratio:
        facts.append(f"axle {vehicle.axle_ratio:.2f}")
    if vehicle.motor_ratio:
        facts.append(f"motor {vehicle.motor_ratio:.2f} turns a wheel turn")
    if vehicle.gears:
        facts.append("gears " + ", ".join(f"{ratio:.2f}" for ratio in vehicle.gears))
    if vehicle.cylinders:
        facts.append(f"{vehicle.cylinders} cylinders")
    return facts


def _gear(lesson: "Lesson", gear: int) -> str:
    if not lesson.plan.vehicle.has_engine:
        return ""
    return f"gear {gear}" if gear else "neutral"


def _choices(lesson: "Lesson") -> list[dict[str, Any]]:
    from vibeorder.classroom import choices_of

    return [
        {"part": one.part, "name": one.name, "orders": [[order, words] for order, words in one.orders]}
        for one in choices_of(lesson.plan.vehicle)
    ]


def _truth(own: Path, riddle: "Riddle", view: "ShakeView", unit: str) -> dict[str, Any]:
    """All that is kept to the reveal; writes the faulty order alone."""
    from vibeorder.classroom import NOTHING, audible_orders, choices_of, reasons_of, wav_bytes, why_not
    from vibeorder.web.lesson_picture import track_values

    lesson = riddle.lesson
    fault = [one for one in lesson.tracks if one.is_fault]
    for sound in audible_orders(lesson, tuple(fault)):
        (own / "truth.wav").write_bytes(wav_bytes(sound))
    answers = [(one.part, order) for one in choices_of(lesson.plan.vehicle) for order, _ in one.orders]
    return {
        "group": [list(one) for one in riddle.group],
        "label": fault[0].label if fault else "nothing that turns: a sound vehicle",
        "rms_mps2": fault_rms(lesson.plan),
        "reasons": list(reasons_of(riddle, view, unit)),
        "why_not": {f"{part}@{order:g}": why_not(riddle, (part, order), unit)
                    for part, order in [*answers, NOTHING]},
        "tracks": track_values(lesson.tracks),
    }  # fmt: skip


def fault_rms(plan: "Plan") -> float:
    """Strength of the fault; 0 for a sound vehicle."""
    return 0.0 if plan.fault is None else plan.fault.rms_mps2


def _write(path: Path, value: Mapping[str, Any]) -> None:
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(value, ensure_ascii=False, allow_nan=False), "utf-8")
