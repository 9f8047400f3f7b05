"""One job from complaint to verified repair, kept in one SQLite file that survives whatever happens to it."""

from vibeorder.casebook.bodies import (
    comparison_body,
    digest_of,
    last_comparison,
    reading_body,
    recording_body,
    runout_on_record,
    runouts_within_limits,
    together_part,
)
from vibeorder.casebook.exchange import as_files, as_json, read_export
from vibeorder.casebook.intake import (
    answers_rows,
    answers_text,
    checks_body,
    checks_of,
    checks_rows,
    intake_body,
    intake_of,
)
from vibeorder.casebook.model import KINDS, Entry, Job, JobLine
from vibeorder.casebook.shape import misshapen, readable, trouble_in
from vibeorder.casebook.store import Casebook, casebook_path, open_casebook
from vibeorder.casebook.words import job_list, job_text

__all__ = [
    "KINDS",
    "Casebook",
    "Entry",
    "Job",
    "JobLine",
    "answers_rows",
    "answers_text",
    "as_files",
    "as_json",
    "casebook_path",
    "checks_body",
    "checks_of",
    "checks_rows",
    "comparison_body",
    "digest_of",
    "intake_body",
    "intake_of",
    "job_list",
    "job_text",
    "last_comparison",
    "misshapen",
    "open_casebook",
    "read_export",
    "readable",
    "reading_body",
    "recording_body",
    "runout_on_record",
    "runouts_within_limits",
    "together_part",
    "trouble_in",
]
