"""Many takes at once: in processes of this machine, or on a cluster that is there already. Same bits in any order."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager

from ..problems import one_problem
from .shot import ShotNetwork
from .takes import USUAL, Spoiling, Take, Takes, solve_take

# Libraries of linear algebra add up in another order with another number of threads; and takes fill the cores anyway.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")

Tell = Callable[[int, int], None]


def run_takes(
    network: ShotNetwork,
    seeds: Sequence[int],
    *,
    spoiling: Spoiling = USUAL,
    jobs: int | None = None,
    cluster: str = "",
    tell: Tell | None = None,
) -> Takes:
    """Simulate and solve one take per seed, in processes of their own.

    jobs : processes; None: one for each core
    cluster : address of a dask.distributed scheduler that does the work instead
    tell : called with takes done and takes in all

    A take depends on nothing but the shot and its seed, so neither the number of processes nor the order in which they
    end changes a bit, as long as they run the same numpy. Raises BadInput for a cluster that can't be reached.
    """
    if not seeds:
        raise ValueError("at least one seed is needed")
    done: dict[int, Take] = {}
    run = _on_cluster(network, seeds, spoiling, cluster) if cluster else _in_processes(network, seeds, spoiling, jobs)
    for take in run:
        done[take.seed] = take
        if tell:
            tell(len(done), len(seeds))
    return Takes.of([done[seed] for seed in seeds])


def _in_processes(network: ShotNetwork, seeds: Sequence[int], spoiling: Spoiling, jobs: int | None) -> Iterator[Take]:
    # Spawned, not forked: the same on every system, and safe beside the threads of whoever asks.
    context = multiprocessing.get_context("spawn")
    workers = max(1, min(jobs or os.cpu_count() or 1, len(seeds)))
    with _one_thread(), ProcessPoolExecutor(workers, context) as pool:
        tasks = [pool.submit(solve_take, network, seed, spoiling) for seed in seeds]
        try:
            for task in as_completed(tasks):
                yield task.result()
        except BrokenProcessPool:
            found = "a process that was killed from outside, or ran out of memory"
            raise one_problem("--takes", found, "fewer at a time: --jobs 1") from None
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _one_thread() -> Iterator[None]:
    """Processes started meanwhile compute with one thread each."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _on_cluster(network: ShotNetwork, seeds: Sequence[int], spoiling: Spoiling, address: str) -> Iterator[Take]:
    try:
        from dask.distributed import Client, KilledWorker  # type: ignore[import-not-found, unused-ignore]
        from dask.distributed import as_completed as dask_as_completed
    except ModuleNotFoundError:
        raise one_problem("--cluster", "no dask.distributed", "pip install 'scatterproof[cluster]'") from None
    try:
        client = Client(address, timeout="10s")
    except (OSError, ValueError, TimeoutError) as error:
        raise one_problem("--cluster", repr(address), f"the address of a running scheduler ({error})") from error
    try:
        with client:
            if not client.ncores():
                raise one_problem("--cluster", "a scheduler without workers", "at least one worker")
            shot = client.scatter(network, broadcast=True)
            tasks = [client.submit(solve_take, shot, seed, spoiling, pure=False, retries=3) for seed in seeds]
            for task in dask_as_completed(tasks):
                yield task.result()
    except (KilledWorker, ImportError, OSError, RuntimeError, CancelledError) as error:
        found = f"takes that could not be run ({str(error) or type(error).__name__})"
        raise one_problem("--cluster", found, "workers that stay, with the same scatterproof and numpy") from error
