"""Where many pieces of work are done: here, in processes of this computer, or on a Dask cluster.

The same function does each piece wherever it runs, so the numbers are the same.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from typing import Any, Protocol, TypeVar

from rig.model.errors import AnalysisError, UsageError

Task = TypeVar("Task")
Outcome = TypeVar("Outcome")
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_CONNECT_S = 10.0


class Pool(Protocol):
    """Does pieces of work and hands over each outcome as it comes, in any order."""

    def run(
        self, work: Callable[[Task], Outcome], tasks: Sequence[Task]
    ) -> Generator[tuple[Task, Outcome], None, None]:
        """Yield (task, outcome); leaving the loop early drops what has not begun."""
        ...


class Here:
    """One after the other in this very process."""

    def run(
        self, work: Callable[[Task], Outcome], tasks: Sequence[Task]
    ) -> Generator[tuple[Task, Outcome], None, None]:
        """See `Pool.run`."""
        for task in tasks:
            yield task, work(task)


class Processes:
    """Several processes of this computer, each with one thread for its arithmetic."""

    def __init__(self, workers: int) -> None:
        """workers: how many; at least 1."""
        self._workers = workers

    def run(
        self, work: Callable[[Task], Outcome], tasks: Sequence[Task]
    ) -> Generator[tuple[Task, Outcome], None, None]:
        """See `Pool.run`; raises AnalysisError when the system ends one of the processes."""
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor, as_completed
        from concurrent.futures.process import BrokenProcessPool

        if not tasks:
            return
        # forked processes would inherit locks of threads that they do not have
        context = multiprocessing.get_context("spawn")
        with _one_thread_each():
            pool = ProcessPoolExecutor(min(self._workers, len(tasks)), context)
            try:
                futures = {pool.submit(work, task): task for task in tasks}
                for future in as_completed(futures):
                    yield futures[future], future.result()
            except BrokenProcessPool as problem:
                raise AnalysisError(
                    "The system ended one of the processes, perhaps for want of memory.",
                    remedy="Start again with fewer --workers; what is done is kept.",
                ) from problem
            finally:
                pool.shutdown(wait=True, cancel_futures=True)


class Dask:
    """A Dask cluster, whose workers must see the same folders under the same paths."""

    def __init__(self, address: str) -> None:
        """address: of the scheduler, such as tcp://bench:8786."""
        self._address = address

    def run(
        self, work: Callable[[Task], Outcome], tasks: Sequence[Task]
    ) -> Generator[tuple[Task, Outcome], None, None]:
        """See `Pool.run`; raises UsageError without Dask or scheduler, AnalysisError for a loss."""
        try:
            distributed: Any = import_module("distributed")
        except ImportError:
            raise UsageError(
                "The library for Dask clusters is not installed.",
                remedy='Install it: pip install "platerig[dask]"; or leave --dask out.',
            ) from None
        if not tasks:
            return
        try:
            client = distributed.Client(self._address, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError) as problem:
            raise UsageError(
                f"No Dask scheduler answers at {self._address}: {problem}.",
                remedy="Start one (dask scheduler), or leave --dask out.",
            ) from problem
        with client:
            futures: dict[Any, Task] = {
                client.submit(work, task, pure=False, key=f"platerig-{os.getpid()}-{number}"): task
                for number, task in enumerate(tasks)
            }
            for future in distributed.as_completed(futures, loop=client.loop):
                try:
                    outcome = future.result()
                except Exception as problem:  # of the cluster: the work itself answers with its own
                    raise AnalysisError(
                        f"The cluster lost a piece of work: {problem}.",
                        where=self._address,
                        remedy="Its workers need platerig and the same folders under the same "
                        "paths. Start again; what is done is kept.",
                    ) from problem
                yield futures[future], outcome


def chosen_pool(workers: int | None, dask: str | None) -> Pool:
    """The pool that was asked for; workers None: as many as there are processors."""
    if dask is not None:
        return Dask(dask)
    count = workers if workers is not None else len(os.sched_getaffinity(0))
    if count < 1:
        raise UsageError(f"{count} workers can do nothing.", remedy="Ask for one at least.")
    return Here() if count == 1 else Processes(count)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Tell processes that start meanwhile to use one thread for their arithmetic."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
