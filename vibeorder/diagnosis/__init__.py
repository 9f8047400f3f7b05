"""Whose shake it is: every part of the vehicle weighed against the recording."""

from vibeorder.diagnosis.diagnose import Weighed, diagnose, told, weigh
from vibeorder.diagnosis.drive_files import DriveTold, judged_file, read_drive, weigh_file
from vibeorder.diagnosis.explanation import Explanation, Finding
from vibeorder.diagnosis.intake import Intake, read_intake
from vibeorder.diagnosis.result import Diagnosis, NextDrive, RunoutCheck, SpeedFit, Suspect
from vibeorder.diagnosis.steps import Step, marked_stretches, steps_from, weigh_marked, weigh_recording
from vibeorder.diagnosis.together import judged_together

__all__ = [
    "Diagnosis",
    "DriveTold",
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
    "judged_file",
    "judged_together",
    "marked_stretches",
    "read_drive",
    "read_intake",
    "steps_from",
    "told",
    "weigh",
    "weigh_file",
    "weigh_marked",
    "weigh_recording",
]
