"""A survey on a Dask cluster: a real scheduler and two worker processes on loopback."""

import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import dask
import pytest
from distributed import LocalCluster

from faultlamp.cli.main import main
from faultlamp.errors import FaultlampError
from faultlamp.survey.cluster import cluster, each_on_cluster
from faultlamp.survey.pool import Lost


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Where the scheduler listens. A worker that dies once is enough for Dask to give a task up."""
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address="127.0.0.1:0",
            silence_logs=50,
        ) as running,
    ):
        yield running.scheduler_address


def test_the_tables_are_those_of_the_local_pool(
    recordings: Path, survey: Path, address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The fleet on both workers: every file equal to the byte, and the same count at the end."""
    assert main(["survey", str(recordings), "-o", str(tmp_path), "--dask", address]) == 0
    assert "24 recordings read, 0 done before, 3 failed" in capsys.readouterr().err
    here, there = (
        {file.relative_to(folder): file.read_bytes() for file in folder.rglob("*.parquet")}
        for folder in (survey, tmp_path)
    )
    assert len(here) == 27 * 7
    assert there == here


def test_work_under_way_is_bounded(address: str) -> None:
    """Two a thread: a survey of thousands does not fill the cluster with results."""
    taken: list[int] = []

    def things() -> Iterator[int]:
        for number in range(50):
            taken.append(number)
            yield number

    done = 0
    with cluster(address) as client:
        for thing, result in each_on_cluster(things(), str, client):
            done += 1
            assert result == str(thing)
            assert len(taken) <= done + 4
    assert len(taken) == done == 50


def test_a_worker_that_dies_is_one_lost_result(address: str) -> None:
    """Signal 0 is none; SIGKILL ends the worker, which its nanny replaces."""
    with cluster(address) as client:
        found = list(each_on_cluster([0, signal.SIGKILL, 0, 0], signal.raise_signal, client))
    lost = [result for thing, result in found if isinstance(result, Lost)]
    assert [result for thing, result in found if thing == 0].count(None) + len(lost) == 4
    assert any(isinstance(result, Lost) and "KilledWorker" in result.reason for thing, result in found if thing)


def test_a_cluster_that_goes_away() -> None:
    """One line; not a failure for each recording that is left."""
    with LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp", host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        silence_logs=50,
    ) as running, cluster(running.scheduler_address, timeout_s=5) as client:
        results = each_on_cluster([0.0, 1.5], time.sleep, client)
        next(results)
        running.close()
        with pytest.raises(FaultlampError, match="start the same survey again"):
            next(results)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense:::", "http://127.0.0.1:1"])
def test_no_scheduler_answers(address: str) -> None:
    """Said within the time given, with the address."""
    started = time.monotonic()
    with pytest.raises(FaultlampError, match="no Dask scheduler answers") as error, cluster(address, timeout_s=1):
        pass
    assert address in str(error.value)
    assert time.monotonic() - started < 30


def test_a_scheduler_without_workers() -> None:
    """It would wait for ever."""
    with (
        LocalCluster(n_workers=0, host="127.0.0.1", dashboard_address="127.0.0.1:0", silence_logs=50) as running,
        pytest.raises(FaultlampError, match="has no worker"), cluster(running.scheduler_address, timeout_s=1),
    ):
        pass


def test_another_version_on_the_cluster(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows of two versions would mix."""
    monkeypatch.setattr("faultlamp.survey.cluster.SCHEMA", 99)
    with pytest.raises(FaultlampError, match="install the same"), cluster(address):
        pass


def test_without_dask_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is an optional extra."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(FaultlampError, match=r'pip install "faultlamp\[fleet\]"'), cluster("tcp://127.0.0.1:1"):
        pass
