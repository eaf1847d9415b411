"""Where the work is done: in this process, in processes of this machine, or on the workers of a dask cluster.

Decides nothing about the work. Every executor gives the same results for the same tasks; only their order differs.
"""

import gc
import multiprocessing
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from types import TracebackType
from typing import Any, Protocol, Self, TypeVar

T = TypeVar("T")
R = TypeVar("R")

_AHEAD = 2  # tasks a worker has in hand or waiting: none idles, and an early end leaves little behind
_CONNECT_S = 10.0
_LOOK_S = 10.0  # so often somebody looks whether a cluster that gives no results still has workers


class ExecutorError(Exception):
    """The work cannot be done there; the text is one line for the user."""


class Executor(Protocol):
    """A context manager; `workers` tasks are done at the same time."""

    workers: int

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def map_unordered(self, function: Callable[[T], R], tasks: Iterable[T]) -> Iterator[tuple[int, R]]:
        """Yield (place of the task, result) as results come.

        function   importable by name; tasks and results can be pickled
        tasks      taken one by one, few ahead of the results: they may come from a generator that looks at the clock
        Errors: ExecutorError when a worker is lost or a task raises.
        """
        ...

    def give_up(self) -> None:
        """Somebody waits for the end: what is still in work is no longer wanted, and nothing more will be asked."""


class LocalExecutor:
    """One task after the other, in this process."""

    workers = 1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        pass

    def map_unordered(self, function: Callable[[T], R], tasks: Iterable[T]) -> Iterator[tuple[int, R]]:
        """See `Executor`."""
        for place, task in enumerate(tasks):
            try:
                result = function(task)
            except Exception as error:
                raise _raised(error) from error
            yield place, result

    def give_up(self) -> None:
        """Nothing is in work while somebody else has the word."""


class PoolExecutor:
    """Processes of this machine, started afresh (spawn), so that they are the same on every system."""

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def __enter__(self) -> Self:
        self._others = set(multiprocessing.active_children())
        context = multiprocessing.get_context("spawn")
        self._pool = ProcessPoolExecutor(self.workers, mp_context=context, initializer=_leave_interrupts)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            self.give_up()
        self._pool.shutdown(cancel_futures=True)

    def map_unordered(self, function: Callable[[T], R], tasks: Iterable[T]) -> Iterator[tuple[int, R]]:
        """See `Executor`."""
        numbered = enumerate(tasks)
        waiting: dict[Future[R], int] = {}
        try:
            while True:
                for place, task in islice(numbered, _AHEAD * self.workers - len(waiting)):
                    waiting[self._pool.submit(function, task)] = place
                if not waiting:
                    return
                for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                    yield waiting.pop(future), future.result()
        except BrokenProcessPool:
            raise ExecutorError(
                "a worker process ended before its work was done (killed, or out of memory?); try fewer --workers"
            ) from None
        except (KeyboardInterrupt, GeneratorExit):
            raise
        except Exception as error:
            raise _raised(error) from error
        finally:
            for future in waiting:
                future.cancel()

    def give_up(self) -> None:
        """The processes are ended."""
        for process in set(multiprocessing.active_children()) - self._others:
            process.terminate()


class DaskExecutor:
    """The workers of a running dask.distributed cluster, on whatever machines it has.

    address   of its scheduler, such as tcp://10.0.0.5:8786
    Errors: ExecutorError when it cannot be reached, has no workers, or dask is not installed.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self.workers = 0

    def __enter__(self) -> Self:
        try:
            from dask import distributed
        except ImportError:
            raise ExecutorError("--cluster needs dask: pip install 'dask[distributed]'") from None
        self._dask = distributed
        self._client, reason = self._connected()
        if self._client is None:
            # Now, where nothing waits: a client that failed ends itself when it is collected, and one that is collected
            # while another begins waits for that one's lock, which is never given up.
            gc.collect()
            raise ExecutorError(f"--cluster {self.address}: no scheduler answers there: {reason}")
        try:
            self._client.wait_for_workers(1, timeout=_CONNECT_S)
        except TimeoutError:
            self._client.close()
            raise ExecutorError(f"--cluster {self.address}: has no workers") from None
        self.workers = sum(self._client.nthreads().values())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()

    def _connected(self) -> tuple[Any, str]:
        """A client, or None and the reason in one line."""
        try:
            return self._dask.Client(self.address, timeout=_CONNECT_S), ""
        except Exception as error:  # OSError, ValueError, TypeError; its own assertion
            return None, str(error).splitlines()[0] if str(error) else type(error).__name__

    def map_unordered(self, function: Callable[[T], R], tasks: Iterable[T]) -> Iterator[tuple[int, R]]:
        """See `Executor`. What a lost worker had in hand is done by another; the last one must not be lost."""
        numbered = enumerate(tasks)
        waiting: dict[Any, int] = {}
        try:
            while True:
                for place, task in islice(numbered, _AHEAD * self.workers - len(waiting)):
                    # Not pure: else equal tasks would be one, and results of an earlier campaign might come back.
                    waiting[self._client.submit(function, task, pure=False)] = place
                if not waiting:
                    return
                for future in self._some_done(list(waiting)):
                    yield waiting.pop(future), future.result()
        except (KeyboardInterrupt, GeneratorExit, ExecutorError):
            raise
        except Exception as error:
            raise ExecutorError(f"--cluster {self.address}: {_in_words(error)}") from error
        finally:
            self._client.cancel(list(waiting))

    def give_up(self) -> None:
        """What a worker has begun it ends, for nobody; what waits was taken back with the results."""

    def _some_done(self, futures: list[Any]) -> Iterator[Any]:
        """Wait for one at least; a scheduler without workers would keep us waiting for ever."""
        deserted = 0
        while True:
            try:
                done = self._dask.wait(futures, timeout=_LOOK_S, return_when="FIRST_COMPLETED").done
                return iter(done)
            except TimeoutError:
                deserted = 0 if self._client.nthreads() else deserted + 1
                if deserted > 1:  # once may be a worker that is just being started again
                    raise ExecutorError(f"--cluster {self.address}: its last worker is gone") from None


def _leave_interrupts() -> None:
    """Ctrl-C reaches every process of a terminal; only the one that the person talks to decides what becomes of it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _raised(error: Exception) -> ExecutorError:
    return error if isinstance(error, ExecutorError) else ExecutorError(f"the work failed: {_in_words(error)}")


def _in_words(error: Exception) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())
