"""A diagnosis as JSON: the contract that scripts and other programs rely on, schema 1."""

import json
import math
from collections.abc import Mapping, Sequence

import numpy as np

from vibeorder import __version__
from vibeorder.diagnosis.result import (
    Diagnosis,
    LineSeen,
    Mismatch,
    NextDrive,
    Said,
    Senses,
    SpeedFit,
    Suspect,
)
from vibeorder.report.why_json import why_dict
from vibeorder.report.wording import amplitude_g

__all__ = ["SCHEMA", "as_dict", "as_json"]

SCHEMA = 1
"""Raised only when a field is renamed, removed or given another meaning; added fields leave it."""

SIGNIFICANT_DIGITS = 6
"""Of every number but a probability: a millionth is finer than any sensor here, and diffs stay readable."""

PATH_POINTS = 200
"""Points of the speed path that are written; the whole path of a long drive would drown the result."""


def as_json(diagnoses: Diagnosis | Sequence[Diagnosis], together: Diagnosis | None = None) -> str:
    """JSON text of one diagnosis; of several, one entry each under "results".

    together: what several recordings say as one; its fields then stand at the top, as one diagnosis's do.

    Strictly valid JSON: a number that is not finite becomes null.
    """
    if isinstance(diagnoses, Diagnosis):
        diagnoses = (diagnoses,)
    if len(diagnoses) == 1:
        content = as_dict(diagnoses[0])
    else:
        head = {"schema": SCHEMA} if together is None else as_dict(together)
        content = {**head, "results": [as_dict(one) for one in diagnoses]}
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def as_dict(diagnosis: Diagnosis) -> dict[str, object]:
    """The contract's object, of plain lists, dicts, numbers and strings only.

    Suspects are sorted by probability; probabilities keep full precision, so that those of all suspects
    and of nothing found still sum to 1. "why" is there only where explanations were asked for.
    """
    why = [plain(why_dict(one)) for one in diagnosis.explanations]
    suspects = sorted(diagnosis.suspects, key=lambda one: -one.probability)
    check, drive = diagnosis.runout_check, diagnosis.next_drive
    return {
        "schema": SCHEMA,
        "program": f"vibeorder {__version__}",
        "verdict": diagnosis.verdict,
        "vehicle": diagnosis.vehicle_name,
        "recording": plain(diagnosis.recording),
        "speed": _speed(diagnosis.speed),
        "suspects": [_suspect(one) for one in suspects],
        "nothing_found_probability": _finite(diagnosis.nothing_found_probability),
        "runout_check": {"warranted": bool(check.warranted), "where": check.where, "why": check.why},
        "next_drive": drive.instruction if drive else None,
        "next_drive_reason": drive.reason if drive else None,
        "next_drive_detail": _next_drive(drive),
        "profile_mismatch": _mismatch(diagnosis.mismatch),
        "unexplained": None if diagnosis.unexplained is None else _line(diagnosis.unexplained),
        "motion_and_sound": _senses(diagnosis.senses),
        "customer_said": _said(diagnosis.said),
        "cautions": list(diagnosis.cautions),
        "notes": list(diagnosis.notes),
        "history": list(diagnosis.history),
        "lines": [_line(one) for one in diagnosis.lines],
        **({"why": why} if why else {}),
    }


def plain(value: object) -> object:
    """Any value as JSON can carry it; floats to six significant digits, what is not finite as None."""
    if isinstance(value, np.generic | np.ndarray):
        value = value.tolist()
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return float(f"{value:.{SIGNIFICANT_DIGITS}g}") if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, Sequence | set | frozenset):
        return [plain(item) for item in value]
    return str(value)


def _suspect(one: Suspect) -> dict[str, object]:
    return {
        "part": one.part,
        "order": float(one.order),
        "label": one.label,
        "probability": _finite(one.probability),
        "frequency_hz": plain(one.frequency_hz),
        "frequency_se_hz": plain(one.frequency_se_hz),
        "expected_hz": plain(one.expected_hz),
        "amplitude": plain(one.amplitude),
        "amplitude_rms": plain(one.amplitude_rms),
        "amplitude_g": plain(amplitude_g(one.amplitude, one.unit)),
        "unit": one.unit,
        "snr_db": plain(one.snr_db),
        "folded": bool(one.folded),
        "healthy": bool(one.healthy),
        "indistinct_from": [[part, float(order)] for part, order in one.indistinct_from],
        "causes": list(one.causes),
        "first_check": one.first_check,
        "never": one.never,
        "feel": one.feel,
        "evidence": list(one.evidence),
    }


def _speed(speed: SpeedFit) -> dict[str, object]:
    points = min(PATH_POINTS, speed.times_s.size)
    pick = np.unique(np.linspace(0, max(speed.times_s.size - 1, 0), points).astype(np.intp))
    bands = {"low_mps": speed.low_mps, "median_mps": speed.speed_mps, "high_mps": speed.high_mps}
    return {
        "source": speed.source,
        **{name: plain(float(np.median(path)) if path.size else None) for name, path in bands.items()},
        "unit": speed.unit,
        "gear": plain(speed.gear),
        "gear_given": speed.gear_given,
        "scale": plain(speed.scale),
        "scale_se": plain(speed.scale_se),
        "lag_s": plain(speed.lag_s),
        "sentences": list(speed.sentences),
        "path": {"times_s": plain(speed.times_s[pick]), "speed_mps": plain(speed.speed_mps[pick])},
    }


def _senses(senses: Senses | None) -> dict[str, object] | None:
    if senses is None:
        return None
    heard = [
        {"part": h.part, "order": float(h.order), "frequency_hz": plain(h.frequency_hz)} for h in senses.heard
    ]
    return {"sentence": senses.sentence, "motion": senses.motion, "sound": senses.sound, "heard": heard}


def _said(said: Said | None) -> dict[str, object] | None:
    if said is None:
        return None
    return {
        "sentence": said.sentence,
        "part": said.part,
        "order": float(said.order),
        "probability": _finite(said.probability),
        "from_recording_alone": _finite(said.from_recording_alone),
        "leanings": [
            {"answer": one.answer, "suspects": one.suspects, "factor": plain(one.factor)}
            for one in said.leanings
        ],
        "note": said.note,
    }


def _line(line: LineSeen) -> dict[str, object]:
    return {
        "frequency_hz": plain(line.frequency_hz),
        "frequency_se_hz": plain(line.frequency_se_hz),
        "amplitude": plain(line.amplitude),
        "snr_db": plain(line.snr_db),
        "direction": plain(line.direction),
        "name": line.name,
    }


def _mismatch(found: Mismatch | None) -> dict[str, object] | None:
    if found is None:
        return None
    return {
        "sentence": found.sentence,
        "what": found.what,
        "value": plain(found.value),
        "order": plain(found.order),
        "frequency_hz": plain(found.frequency_hz),
        "amplitude": plain(found.amplitude),
        "probability": plain(found.share),
    }


def _next_drive(drive: NextDrive | None) -> dict[str, object] | None:
    if drive is None:
        return None
    return {
        "instruction": drive.instruction,
        "reason": drive.reason,
        "bits_before": plain(drive.bits_before),
        "bits_after": plain(drive.bits_after),
        "alternatives": [
            {"instruction": instruction, "bits_after": plain(after)}
            for instruction, after in drive.alternatives
        ],
    }


def _finite(probability: float) -> float | None:
    return float(probability) if math.isfinite(probability) else None
