"""Tasks into processes: a pool on this computer, or workers of a Dask scheduler. The same function, the same outcomes.

Only a few tasks more than there are workers are under way at a time, so a hundred thousand runs need no memory. A
process that dies takes no run with it: what it had is done again, and a run that kills its process each time is
reported like any other bad run.
"""

from __future__ import annotations

import multiprocessing
import os
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from benchkit.campaign.task import Outcome, Task, do
from benchkit.errors import LinkError, UsageError

AHEAD = 2
"""Tasks under way for each worker."""
DEATHS = 2
"""So many processes may die of one run, each alone with it, before it is given up."""
CONNECT_S = 20.0
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
DIED = "the process that worked on it died each time"
Done = tuple[Task, Outcome]


def run_tasks(tasks: Iterable[Task], *, workers: int, scheduler: str = "") -> Iterator[Done]:
    """Tasks with their outcomes, in the order in which they are done.

    ``scheduler`` is the address of a Dask scheduler; without, ``workers`` processes here. With 0 workers all is done in
    this process.

    Raises:
        UsageError: the extra ``cluster`` is not installed, or no process can be started.
        LinkError: the scheduler does not answer.
    """
    if scheduler:
        return _on_cluster(tasks, scheduler)
    return ((task, do(task)) for task in tasks) if workers < 1 else _single_threaded(tasks, workers)


def _pool(workers: int) -> ProcessPoolExecutor:
    # a forked process would share open HDF5 files and threads with this one
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


def _single_threaded(tasks: Iterable[Task], workers: int) -> Iterator[Done]:
    """The pool, with one thread a process in the numerical libraries: theirs would fight over the same cores. They read
    the environment when they are loaded, so it is set for as long as processes are started."""
    added = [name for name in THREADS if name not in os.environ]
    os.environ.update(dict.fromkeys(added, "1"))
    try:
        yield from _in_pool(tasks, workers)
    finally:
        for name in added:
            os.environ.pop(name, None)


def _in_pool(tasks: Iterable[Task], workers: int) -> Iterator[Done]:
    waiting = iter(tasks)
    suspects: deque[Task] = deque()
    is_over = False
    while not is_over:
        pool = _pool(workers)
        try:
            under_way: dict[Future[Outcome], Task] = {}
            is_broken = False
            while not is_broken:
                while len(under_way) < AHEAD * workers:
                    task = next(waiting, None)
                    if task is None:
                        break
                    try:
                        under_way[pool.submit(do, task)] = task
                    except BrokenProcessPool:
                        suspects.append(task)
                        is_broken = True
                        break
                if not under_way:
                    is_over = not is_broken
                    break
                for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                    task = under_way.pop(future)
                    try:
                        yield task, future.result()
                    except BrokenProcessPool:
                        suspects.append(task)
                        is_broken = True
            suspects.extend(under_way.values())
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
        yield from _one_by_one(suspects)


def _one_by_one(suspects: deque[Task]) -> Iterator[Done]:
    """Tasks that were under way when a process died, alone in a process: it can only be of them that it dies."""
    deaths = 0
    while suspects:
        with _pool(1) as pool:
            try:
                pool.submit(_nothing).result()
            except BrokenProcessPool as error:
                raise UsageError(
                    "no process can be started to work in",
                    remedy="A script that starts a campaign does so under: if __name__ == '__main__'.",
                ) from error
            try:
                while suspects:
                    outcome = pool.submit(do, suspects[0]).result()
                    deaths = 0
                    yield suspects.popleft(), outcome
            except BrokenProcessPool:
                deaths += 1
        if deaths == DEATHS:
            deaths = 0
            yield suspects.popleft(), Outcome(reason=DIED)


def _nothing() -> None:
    """What a process that starts at all can do."""


def _on_cluster(tasks: Iterable[Task], address: str) -> Iterator[Done]:
    try:
        import distributed
    except ImportError as error:
        raise UsageError(
            "a scheduler needs the extra 'cluster'", remedy="Install it: pip install 'benchkit[cluster]'."
        ) from error
    cluster: Any = distributed  # its types are incomplete
    try:
        client = cluster.Client(address, timeout=CONNECT_S, name="benchkit-campaign")
    except (OSError, TimeoutError, ValueError) as error:
        raise LinkError(
            f"the scheduler does not answer: {error}",
            where=address,
            expected="tcp://HOST:PORT",
            remedy="Start one with 'dask scheduler', and workers with 'dask worker ADDRESS --nthreads 1'.",
        ) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError as error:
            raise LinkError(
                "the scheduler has no workers",
                where=address,
                remedy=f"Start some: 'dask worker {address} --nthreads 1'.",
            ) from error
        waiting = iter(tasks)
        under_way: dict[Any, Task] = {}
        while True:
            room = AHEAD * max(1, sum(client.nthreads().values())) - len(under_way)
            for _ in range(max(room, 0)):
                task = next(waiting, None)
                if task is None:
                    break
                # impure: Dask may not answer from a result it remembers
                under_way[client.submit(do, task, pure=False)] = task
            if not under_way:
                return
            for future in cluster.wait(list(under_way), return_when="FIRST_COMPLETED").done:
                task = under_way.pop(future)
                try:
                    outcome = future.result()
                except cluster.KilledWorker:
                    outcome = Outcome(reason=DIED)
                except (ImportError, AttributeError) as error:
                    outcome = Outcome(reason=f"a worker does not know benchkit: {error}", is_foreign=True)
                yield task, outcome
