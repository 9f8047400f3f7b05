"""A folder of recordings in, one table out: planned, worked off on every core, kept on record as it goes."""

from vibeorder.batch.journal import Journal
from vibeorder.batch.model import Outcome, Task
from vibeorder.batch.over_dask import dask_results
from vibeorder.batch.plan import Plan, plan_batch
from vibeorder.batch.run import local_results
from vibeorder.batch.said import Said
from vibeorder.batch.table import needs_pyarrow, write_suspects, write_table
from vibeorder.batch.work import diagnose_file, is_current

__all__ = [
    "Journal",
    "Outcome",
    "Plan",
    "Said",
    "Task",
    "dask_results",
    "diagnose_file",
    "is_current",
    "local_results",
    "needs_pyarrow",
    "plan_batch",
    "write_suspects",
    "write_table",
]
