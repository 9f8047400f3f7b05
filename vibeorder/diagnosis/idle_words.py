"""What is reported of a drive that rolled out of gear: where the idling engine's lines were read, and the words."""

from collections.abc import Sequence

import numpy as np

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.idling import IdleHypothesis
from vibeorder.diagnosis.judge import Hypothesis
from vibeorder.diagnosis.measured import wheel_rate_hz
from vibeorder.vehicle import order_text, part_text

__all__ = ["idle_named", "out_of_gear_words", "seen_on"]


def seen_on(hypothesis: Hypothesis, index: int) -> Hypothesis:
    """The hypothesis on whose clock a candidate's line was read: the engine's own where it idled."""
    idle = hypothesis.idle if isinstance(hypothesis, IdleHypothesis) else None
    return idle if idle is not None and hypothesis.keeps_one_rate(index) else hypothesis


def out_of_gear_words(best: Hypothesis) -> str:
    """What is said of a drive in part of which the engine turned at no gear's rate."""
    if not isinstance(best, IdleHypothesis) or best.idle is None:
        return "for part of the drive the engine turned at no gear's rate (neutral, clutch or converter open)"
    if best.tone_hz is not None and int(np.argmax(best.log_class)) == best.log_class.size - 1:
        return f"a line at {best.tone_hz:.1f} Hz kept its frequency while the speed fell, whatever turned"
    rpm = 60.0 * float(np.median(wheel_rate_hz(best.idle)))
    return f"for part of the drive, while the speed fell, the engine idled out of gear, at {rpm:.0f} rpm"


def idle_named(best: Hypothesis, candidates: Sequence[Candidate]) -> list[tuple[float, str]]:
    """(frequency, name) of the lines of the engine at its idle, none where it did not idle."""
    if not isinstance(best, IdleHypothesis) or best.idle is None:
        return []
    idle_hz = float(np.median(wheel_rate_hz(best.idle)))
    return [
        (idle_hz * c.multiple, f"{part_text(c.part)} {order_text(c.order)}")
        for i, c in enumerate(candidates)
        if i in best.at_idle
    ]
