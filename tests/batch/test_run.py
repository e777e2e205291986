"""Work in processes of their own, on this machine and on a real Dask scheduler with real workers."""

from __future__ import annotations

import os
import signal
from concurrent.futures import BrokenExecutor

import pytest

from tests.batch import tasks
from visioncheck.batch.run import run_here, run_on_cluster, stop_on_interrupt
from visioncheck.errors import UserError


def never():
    return False


def here(work, jobs, stop=never, workers=2):
    return run_here(work, jobs, 100, workers, stop)


@pytest.fixture(scope="module")
def cluster():
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        yield cluster.scheduler_address


def test_every_job_is_done_once():
    found = {job: future.result() for job, future in here(tasks.add, range(20))}
    assert found == {job: job + 100 for job in range(20)}


def test_processes_have_one_thread_each_and_share_the_work(monkeypatch):
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    found = [future.result() for _, future in here(tasks.threads_and_process, range(40))]
    assert {threads for threads, _ in found} == {"1"}
    assert os.getpid() not in {process for _, process in found}
    assert "OMP_NUM_THREADS" not in os.environ


def test_a_job_that_kills_its_process_costs_no_other():
    found = {job: future.exception() or future.result() for job, future in here(tasks.kill_itself_on_three, range(8))}
    assert isinstance(found.pop(3), BrokenExecutor)
    assert found == {job: job + 100 for job in range(8) if job != 3}


def test_an_unforeseen_error_is_that_jobs_alone():
    found = {job: future.exception() or future.result() for job, future in here(tasks.fail_on_three, range(5))}
    assert isinstance(found.pop(3), ZeroDivisionError)
    assert found == {0: 100, 1: 101, 2: 102, 4: 104}


def test_told_to_stop_it_finishes_what_is_under_way():
    done = []
    for job, future in here(tasks.wait_a_little, range(50), stop=lambda: bool(done)):
        done.append(future.result())
        assert job == done[-1]
    # two at work, and one more begun when the first was done
    assert 2 <= len(done) <= 3


def test_ctrl_c_asks_to_stop_and_the_second_time_interrupts():
    usual = signal.getsignal(signal.SIGINT)
    with stop_on_interrupt() as stop:
        assert not stop()
        signal.raise_signal(signal.SIGINT)
        assert stop()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is usual


def test_a_cluster_does_the_same(cluster):
    found = {
        j: f.exception() or f.result() for j, f in run_on_cluster(tasks.fail_on_three, range(6), 100, cluster, never)
    }
    assert isinstance(found.pop(3), ZeroDivisionError)
    assert found == {job: job + 100 for job in range(6) if job != 3}


def test_a_cluster_works_in_other_processes(cluster):
    processes = {f.result() for _, f in run_on_cluster(tasks.process, range(8), None, cluster, never)}
    assert os.getpid() not in processes


def test_no_scheduler_is_one_sentence(monkeypatch):
    monkeypatch.setattr("visioncheck.batch.run._CONNECT_S", 0.5)
    with pytest.raises(UserError, match="no scheduler answers"):
        next(run_on_cluster(tasks.add, [1], 1, "tcp://127.0.0.1:1", never))


def test_an_address_that_is_none_is_one_sentence():
    with pytest.raises(UserError, match="no scheduler answers"):
        next(run_on_cluster(tasks.add, [1], 1, "nonsense://x", never))
