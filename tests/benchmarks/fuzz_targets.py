"""What fuzzed bytes are given to, and what may come out: a VibeorderError, or a result that holds water."""

import json
import math
import re
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from fuzz_seeds import BETWEEN

from vibeorder.bench import (
    Answer,
    answer_angles,
    answer_balance,
    answer_effect,
    answer_halfturn,
    answer_mate,
    answer_runout,
    answer_shaft,
    as_json,
    render,
)
from vibeorder.errors import VibeorderError
from vibeorder.recording import ReadOptions, Recording, read_recording
from vibeorder.speed.clocks import recording_and_log
from vibeorder.speed.given import parse_speed_given
from vibeorder.speed.logged import read_speed_log
from vibeorder.units import (
    parse_length,
    parse_mass,
    parse_rotation,
    parse_sample_rate,
    parse_speed,
    parse_time,
)
from vibeorder.vehicle import Vehicle, load_vehicle, parse_tire, rate_table, rotors

__all__ = ["SUFFIXES", "TARGETS", "Outcome", "tried"]

LONGEST_SENTENCE, ECHO = 2000, 10
"""Characters; a sentence may repeat what was typed, escaped, more than once."""

SUFFIXES = {"log": ".csv", "zip": ".zip", "sound": ".wav", "vehicle": ".toml", "speed log": ".gpx",
            "speed beside": ".csv", "diagnosis": ".csv", "bench form": ".txt"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outcome:
    """how: "read", "refused" or "crashed"; said: the sentence, or where and by what it crashed."""

    how: str
    said: str


def tried(target: str, path: Path) -> Outcome:
    """Give the file to its target. Warnings that a user would see count as a crash."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            TARGETS[target](path)
    except VibeorderError as error:
        said = str(error)
        if not said.strip() or len(said) > LONGEST_SENTENCE + ECHO * path.stat().st_size:
            return Outcome("crashed", f"a sentence of {len(said)} characters")
        return Outcome("refused", said)
    except Exception as fault:
        return Outcome("crashed", _where(fault))
    return Outcome("read", "")


def _where(fault: BaseException) -> str:
    """Kind of the fault and the innermost line of ours, so that one fault is counted once."""
    ours = [one for one in traceback.extract_tb(fault.__traceback__) if "/vibeorder/" in one.filename]
    frame = (ours or traceback.extract_tb(fault.__traceback__))[-1]
    words = re.sub(r"\d+", "N", " ".join(str(fault).split()))[:60]
    return f"{type(fault).__name__} ({words}) at {'/'.join(Path(frame.filename).parts[-2:])} in {frame.name}"


def _recording(path: Path) -> None:
    _check(read_recording(path))


def _told_recording(path: Path) -> None:
    """A log whose first columns and rate are told, when it does not find its own."""
    try:
        _check(read_recording(path))
    except VibeorderError:
        _check(read_recording(path, ReadOptions(axes=("2", "3"), unit="g", rate_hz=50.0)))


def _check(recording: Recording) -> None:
    """What the rooms below rely on."""
    assert recording.samples.ndim == 2, "samples are not channels x time"
    assert recording.samples.shape[1] == recording.valid.size, "samples and valid differ in length"
    assert math.isfinite(recording.rate_hz), "rate is not finite"
    assert recording.rate_hz > 0.0, "rate is not above zero"
    assert np.isfinite(recording.samples).all(), "samples are not finite"
    for trace in (recording.speed, recording.rpm):
        if trace is not None:
            assert np.isfinite(trace.values).all(), "a trace is not finite"
            assert np.isfinite(trace.times_s).all(), "times of a trace are not finite"
            assert (np.diff(trace.times_s) >= 0.0).all(), "times of a trace run back"


def _vehicle(path: Path) -> None:
    car = load_vehicle(path)
    assert all(math.isfinite(r.ratio) and r.ratio > 0.0 for r in rotors(car)), "a rotor's ratio is no number"
    rate_table(car, 25.0, 1 if car.gears else None, False)


def _speed_log(path: Path) -> None:
    trace = read_speed_log(path)
    assert np.isfinite(trace.values).all(), "a speed is not finite"
    assert np.isfinite(trace.times_s).all(), "a time is not finite"
    assert (np.diff(trace.times_s) >= 0.0).all(), "times run back"


def _speed_beside(path: Path) -> None:
    """The same file may not be read twice as two, so each part has its own beside the input."""
    recording, between, log = path.read_bytes().partition(BETWEEN.encode())
    if not between:
        raise VibeorderError("no log beside")
    parts = path.with_suffix(".a.csv"), path.with_suffix(".b.csv")
    for part, raw in zip(parts, (recording, log), strict=True):
        part.write_bytes(raw)
    _check(read_recording(parts[0]))
    told, placed = recording_and_log(read_speed_log(parts[1]), read_recording(parts[0]), _truck())
    _check(told)
    if placed is not None:
        assert np.isfinite(placed.values).all(), "a placed speed is not finite"
        assert math.isfinite(placed.lag_s or 0.0), "a lag is not finite"


def _truck() -> Vehicle:
    return load_vehicle(Path(__file__).parents[2] / "sample_data" / "truck.toml")


def _diagnosis(path: Path) -> None:
    from vibeorder.diagnosis import diagnose
    from vibeorder.report import as_json as diagnosis_json
    from vibeorder.report import as_text

    found = diagnose(read_recording(path), _truck())
    total = sum(s.probability for s in found.suspects) + found.nothing_found_probability
    assert abs(total - 1.0) < 1e-6, "probabilities do not sum to one"
    diagnosis_json(found)
    as_text(found, width=80)


def _form(path: Path) -> None:
    """The first line says which form; the others are its fields. A field of numbers is read as typer reads it."""
    # a newline of any kind may be typed into a field only where it is not the end of the line
    name, *fields = path.read_bytes().decode("utf-8", "replace").split("\n")
    form = FORMS.get(name)
    if form is None:
        raise VibeorderError("no such form")
    answer = form([*fields, *[""] * 8])
    if answer is not None:
        render(answer.sheet)
        json.dumps(as_json(answer.command, answer.result, answer.sheet), allow_nan=False)


def _real(text: str, otherwise: float) -> float:
    try:
        return float(text) if text.strip() else otherwise
    except ValueError:
        raise VibeorderError("not a number") from None


def _whole(text: str) -> int | None:
    try:
        return int(text) if text.strip() else None
    except ValueError:
        raise VibeorderError("not a whole number") from None


def _quantities(f: list[str]) -> None:
    readers = (parse_speed, parse_length, parse_mass, parse_sample_rate, parse_time, parse_rotation)
    for read, text in zip(readers, f, strict=False):
        try:
            value = read(text).si
        except VibeorderError:
            continue
        assert math.isfinite(value), "a quantity is not finite"


def _tire(f: list[str]) -> None:
    tire = parse_tire(f[0])
    assert 0.1 < 3.0 * tire.diameter_m < 20.0, "a tire of no size"


def _speed(f: list[str]) -> None:
    parse_speed_given(f[0])


FORMS: dict[str, Callable[[list[str]], Answer | None]] = {
    "runout": lambda f: answer_runout(f[0], back=f[1] or None, limit=f[2] or None, bolts=_whole(f[3])),
    "extremes": lambda f: answer_runout(high=f[0], low=f[1], place=f[2] or None),
    "halfturn": lambda f: answer_halfturn(f[0:2], counted_on=f[2]),
    "mate": lambda f: answer_mate(fixed=f[0], moved=f[1], bolts=_whole(f[2]) or 4, limit=f[3] or None),
    "effect": lambda f: answer_effect(
        f[0], f[1], [_real(f[2], 2400.0) / 60.0], critical_hz=_real(f[3], 6000.0) / 60.0
    ),
    "balance": lambda f: answer_balance(
        f[0], [r for r in f[1].split("; ") if r], clamp=f[2] or None, after=f[3] or None, radius=f[4] or None,
        mass=f[5] or None, rate_hz=_real(f[6], 2400.0) / 60.0, runout_checked=True,
    ),
    "angles": lambda f: answer_angles(
        f[0], _real(f[4], 2400.0) / 60.0, sides=f[1] or None, phasing=f[2] or None, lengths=f[3] or None
    ),
    "shaft": lambda f: answer_shaft(
        f[0], f[1], f[2], material=f[3], highest_hz=_real(f[4], 5500.0) / 60.0, fraction=_real(f[5], 0.7)
    ),
    "quantity": _quantities,
    "speed": _speed,
    "tire": _tire,
}  # fmt: skip

TARGETS: dict[str, Callable[[Path], None]] = {
    "log": _told_recording,
    "zip": _recording,
    "sound": _recording,
    "vehicle": _vehicle,
    "speed log": _speed_log,
    "bench form": _form,
    "speed beside": _speed_beside,
    "diagnosis": _diagnosis,
}
