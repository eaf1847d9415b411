"""Wherever the work is done, the results are the same; where it cannot be done, one line says why."""

import socket
import sys
import weakref
from itertools import count

import pytest

from loopwarden_prove.executors import DaskExecutor, ExecutorError, LocalExecutor, PoolExecutor
from prove.arithmetic import leave, reciprocal, square, square_or_sleep


@pytest.fixture(scope="module")
def cluster():
    """A scheduler and two worker processes of dask on this machine."""
    distributed = pytest.importorskip("dask.distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", silence_logs=50
    ) as made:
        yield made.scheduler_address


@pytest.fixture(params=["local", "pool", "dask"])
def executor(request):
    """One executor of each kind, entered."""
    made = {
        "local": LocalExecutor,
        "pool": lambda: PoolExecutor(2),
        "dask": lambda: DaskExecutor(request.getfixturevalue("cluster")),
    }[request.param]()
    with made as entered:
        yield entered


def test_every_task_comes_back_once_with_its_own_result(executor):
    found = list(executor.map_unordered(square, range(50)))
    assert sorted(found) == [(number, number**2) for number in range(50)]


def test_equal_tasks_are_as_many_results(executor):
    assert sorted(executor.map_unordered(square, [3, 3, 3])) == [(0, 9), (1, 9), (2, 9)]


def test_no_tasks_no_results(executor):
    assert list(executor.map_unordered(square, [])) == []


def test_tasks_are_taken_as_results_come(executor):
    """A source of tasks without end is no trouble: somebody else decides when it is enough."""
    taken = []

    def tasks():
        for number in count():
            taken.append(number)
            yield number

    results = executor.map_unordered(square, tasks())
    for _ in range(20):
        next(results)
    assert len(taken) <= 20 + 2 * executor.workers
    results.close()
    assert sorted(executor.map_unordered(square, [5, 6])) == [(0, 25), (1, 36)]  # it can still be used


def test_a_task_that_raises_is_one_line(executor):
    with pytest.raises(ExecutorError, match=r"ZeroDivisionError: division by zero$") as caught:
        list(executor.map_unordered(reciprocal, [1, 0]))
    assert "\n" not in str(caught.value)


def test_results_are_those_of_the_pool_wherever_it_runs(cluster):
    with PoolExecutor(2) as pool, DaskExecutor(cluster) as dask:
        assert dask.workers == 2
        here = sorted(pool.map_unordered(reciprocal, range(1, 200)))
        assert sorted(dask.map_unordered(reciprocal, range(1, 200))) == here


def test_a_pool_that_is_given_up_does_not_wait_for_what_is_in_work():
    """It would be an hour."""
    with PoolExecutor(2) as pool:
        results = pool.map_unordered(square_or_sleep, [0, 3])
        assert next(results) == (1, 9)
        results.close()
        pool.give_up()


def test_a_worker_that_is_killed_is_one_line():
    with pytest.raises(ExecutorError, match="a worker process ended before its work was done"), PoolExecutor(2) as pool:
        list(pool.map_unordered(leave, [1]))


def test_a_task_that_kills_every_worker_of_a_cluster_is_one_line(cluster):
    with pytest.raises(ExecutorError, match=f"^--cluster {cluster}: KilledWorker: "), DaskExecutor(cluster) as dask:
        list(dask.map_unordered(leave, [1]))


def test_a_cluster_that_is_not_there_is_one_line(monkeypatch):
    monkeypatch.setattr("loopwarden_prove.executors._CONNECT_S", 0.5)
    with socket.socket() as held:  # bound and not listening: nobody else can answer there
        held.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{held.getsockname()[1]}"
        with pytest.raises(ExecutorError, match=f"^--cluster {address}: no scheduler answers there: "):
            DaskExecutor(address).__enter__()


@pytest.mark.parametrize("address", ["nowhere", "tcp://", "carrier-pigeon://10.0.0.1:1", ""])
def test_an_address_that_is_none_is_one_line(address, monkeypatch):
    monkeypatch.setattr("loopwarden_prove.executors._CONNECT_S", 0.5)
    with pytest.raises(ExecutorError, match="no scheduler answers there") as caught:
        DaskExecutor(address).__enter__()
    assert "\n" not in str(caught.value)


def test_without_dask_one_line_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "dask", None)
    with pytest.raises(ExecutorError, match=r"needs dask: pip install 'dask\[distributed\]'$"):
        DaskExecutor("tcp://127.0.0.1:1").__enter__()


def test_no_client_that_failed_is_left_to_be_collected_at_a_bad_time(monkeypatch):
    """Collected while the next one begins it waits for that one's lock: for ever, or until dask's bare assertion."""
    distributed = pytest.importorskip("dask.distributed")
    left = weakref.WeakSet()

    class Client(distributed.Client):
        def __init__(self, *positional, **named):
            left.add(self)
            super().__init__(*positional, **named)

    monkeypatch.setattr(distributed, "Client", Client)
    monkeypatch.setattr("loopwarden_prove.executors._CONNECT_S", 0.5)
    with pytest.raises(ExecutorError, match="no scheduler answers there"):
        DaskExecutor("tcp://127.0.0.1:1").__enter__()
    assert not left


def test_a_client_that_fails_in_its_own_way_is_one_line(monkeypatch):

    def client(address, timeout):
        raise AssertionError

    monkeypatch.setattr(pytest.importorskip("dask.distributed"), "Client", client)
    with pytest.raises(ExecutorError, match=r"no scheduler answers there: AssertionError$"):
        DaskExecutor("tcp://127.0.0.1:1").__enter__()


def test_a_cluster_without_workers_is_one_line(monkeypatch):
    distributed = pytest.importorskip("dask.distributed")
    monkeypatch.setattr("loopwarden_prove.executors._CONNECT_S", 4.0)
    made = distributed.LocalCluster(n_workers=0, dashboard_address=":0", silence_logs=50)
    with made as empty, pytest.raises(ExecutorError, match="has no workers"):
        DaskExecutor(empty.scheduler_address).__enter__()
