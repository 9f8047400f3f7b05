"""Whose shake it is: every part of the vehicle weighed against the recording."""

from vibeorder.diagnosis.diagnose import Weighed, diagnose, told, weigh
from vibeorder.diagnosis.explanation import Explanation, Finding
from vibeorder.diagnosis.intake import Intake, read_intake
from vibeorder.diagnosis.result import Diagnosis, NextDrive, RunoutCheck, SpeedFit, Suspect
from vibeorder.diagnosis.together import judged_together

__all__ = [
    "Diagnosis",
    "Explanation",
    "Finding",
    "Intake",
    "NextDrive",
    "RunoutCheck",
    "SpeedFit",
    "Suspect",
    "Weighed",
    "diagnose",
    "judged_together",
    "read_intake",
    "told",
    "weigh",
]
