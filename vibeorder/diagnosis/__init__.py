"""Whose shake it is: every part of the vehicle weighed against the recording."""

from vibeorder.diagnosis.diagnose import Weighed, diagnose, told, weigh
from vibeorder.diagnosis.explanation import Explanation, Finding
from vibeorder.diagnosis.intake import Intake, read_intake
from vibeorder.diagnosis.result import Diagnosis, NextDrive, RunoutCheck, SpeedFit, Suspect
from vibeorder.diagnosis.steps import Step, marked_stretches, steps_from, weigh_marked, weigh_recording
from vibeorder.diagnosis.together import judged_together

__all__ = [
    "Diagnosis",
    "Explanation",
    "Finding",
    "Intake",
    "NextDrive",
    "RunoutCheck",
    "SpeedFit",
    "Step",
    "Suspect",
    "Weighed",
    "diagnose",
    "judged_together",
    "marked_stretches",
    "read_intake",
    "steps_from",
    "told",
    "weigh",
    "weigh_marked",
    "weigh_recording",
]
