"""A batch over a Dask cluster on this machine: the same table as without, also when a worker is killed."""

import os
import signal
from collections.abc import Iterator
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from batch_examples import fill, rows_of, without_time

from vibeorder.batch import Outcome, Said, dask_results, local_results, plan_batch
from vibeorder.cli import main
from vibeorder.errors import VibeorderError

pytestmark = [
    pytest.mark.skipif(
        find_spec("distributed") is None,
        reason="distributed is not installed: batches over a Dask cluster are not tested",
    ),
    # sockets and loops of a cluster that loses a worker are closed when they are collected, not before
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
]


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = fill(tmp_path_factory.mktemp("dask") / "drives", volts=8, cars=0)
    (folder / "bad.csv").write_text("no numbers\n")
    return folder


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    # here, as it is slow to import and most processes of the tests never need it
    distributed: Any = import_module("distributed")
    # ":0" is any free port; None would be the usual one, which another suite may hold
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0"
    ) as made:
        yield made


def kill_a_worker(address: str) -> int:
    """SIGKILL one worker process; its number of tasks in work beforehand."""
    distributed: Any = import_module("distributed")
    with distributed.Client(address, set_as_default=False) as client:
        pids, working = client.run(os.getpid), client.processing()
        busiest = max(pids, key=lambda worker: len(working.get(worker, ())))
        os.kill(pids[busiest], signal.SIGKILL)
        return len(working.get(busiest, ()))


def test_a_killed_worker_costs_no_recording_and_none_comes_twice(drives: Path, cluster: Any) -> None:
    tasks = plan_batch(drives, None, Said()).tasks
    outcomes: list[Outcome] = []
    taken = 0
    for outcome in dask_results(tasks, cluster.scheduler_address):
        if not outcomes:
            taken = kill_a_worker(cluster.scheduler_address)
        outcomes.append(outcome)
    assert taken > 0  # it had work when it died
    assert sorted(one.source for one in outcomes) == [task.source for task in tasks]
    alone = {one.source: one for one in local_results(tasks, 2)}
    for one in outcomes:
        assert (one.result, one.error, one.print) == (
            alone[one.source].result,
            alone[one.source].error,
            alone[one.source].print,
        )


def test_the_command_writes_the_same_table_over_a_cluster_as_without(
    drives: Path, cluster: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    over, local = tmp_path / "over.csv", tmp_path / "local.csv"
    assert main(["batch", str(drives), "--out", str(over), "--scheduler", cluster.scheduler_address]) == 0
    assert "9 recordings: 8 diagnosed, 1 not." in capsys.readouterr().out
    assert main(["batch", str(drives), "--out", str(local)]) == 0
    assert without_time(rows_of(over)) == without_time(rows_of(local))


def test_a_task_that_kills_every_worker_it_gets_is_given_up_in_a_sentence() -> None:
    from vibeorder.batch.model import Task
    from vibeorder.batch.over_dask import _outcome

    class Given:
        """A future as the scheduler leaves it after its last worker died."""

        status = "error"

        def cancelled(self) -> bool:
            return False

        def exception(self) -> Exception:
            return RuntimeError("four workers died")

    outcome = _outcome(Given(), Task("deadly.csv", "deadly.csv", ""))
    assert outcome.error == "deadly.csv: the cluster gave it up (RuntimeError: four workers died)"


def test_no_scheduler_at_the_address_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vibeorder.batch.over_dask.CONNECT_S", 0.5)
    with pytest.raises(VibeorderError, match=r"no Dask scheduler at tcp://127\.0\.0\.1:9"):
        list(dask_results([], "tcp://127.0.0.1:9"))
    with pytest.raises(VibeorderError, match="no Dask scheduler at nonsense"):
        list(dask_results([], "nonsense://x"))
