"""Many small tasks on this computer's cores or on a cluster: results in the order of the tasks, whoever did them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from castlab.errors import InputError
from castlab.given import processes, shown

LONG = 24
"""Tasks from which on all cores are used and a progress bar is shown, unless something else was asked for."""
PATIENCE = 10
"""How long a scheduler may take to answer, s."""


def run(
    work: Callable[..., Any],
    tasks: Sequence[tuple[Any, ...]],
    *,
    jobs: int | None = 1,
    cluster: str | None = None,
    progress: bool | None = None,
    what: str = "Simulating",
) -> list[Any]:
    """`work(*task)` for each task.

    Parameters
    ----------
    work
        A function of a module (workers import it), whose answer depends on its arguments alone.
    jobs
        Processes on this computer; -1 for all cores; None for all cores when there is much to do, since they take seconds
        to start.
    cluster
        Address of a Dask scheduler ("tcp://10.0.0.5:8786"), whose workers have castlab too; `jobs` is then not used.
    progress
        Show a progress bar; None shows it when there is much to do.

    Raises
    ------
    InputError
        If jobs is no number of processes, or the cluster cannot be used.
    """
    if jobs is None:
        jobs = -1 if len(tasks) >= LONG else 1
    jobs = processes(jobs)
    bar = len(tasks) >= LONG if progress is None else progress
    if cluster is not None:
        return _told(_on_cluster(work, tasks, cluster), len(tasks), bar, what)
    if jobs == 1 or len(tasks) < 2:
        return _told((work(*task) for task in tasks), len(tasks), bar, what)
    from joblib import Parallel, delayed

    done = Parallel(n_jobs=jobs, return_as="generator")(delayed(work)(*task) for task in tasks)
    return _told(done, len(tasks), bar, what)


def _told(results: Iterable[Any], total: int, bar: bool, what: str) -> list[Any]:
    if not bar:
        return list(results)
    from tqdm.auto import tqdm

    return list(tqdm(results, total=total, desc=what, leave=False))


def _on_cluster(work: Callable[..., Any], tasks: Sequence[tuple[Any, ...]], address: str) -> Iterator[Any]:
    accepted = (
        "accepted: the address that the scheduler tells, such as 'tcp://10.0.0.5:8786', or no cluster and jobs=-1"
    )
    if not isinstance(address, str) or not address.strip():
        raise InputError(f"cluster is {shown(address)}; {accepted}")
    try:
        from distributed import Client
    except ImportError:
        raise InputError(
            f"the cluster {address} needs the extra 'cluster', which is not installed; install it with "
            "pip install 'castlab[cluster]', or leave cluster out and use jobs=-1 on this computer"
        ) from None
    try:
        with ThreadPoolExecutor(1) as own:  # a notebook's own thread has an event loop that runs already
            own.submit(asyncio.run, _answers(address)).result()
    except (OSError, ValueError, TypeError) as exc:  # TimeoutError is an OSError
        why = str(exc) or f"it does not speak as one within {PATIENCE} s"
        raise InputError(f"no Dask scheduler answers at {shown(address)} ({why}); {accepted}") from None
    with Client(address, timeout=PATIENCE, set_as_default=False) as client:
        futures = client.map(work, *zip(*tasks, strict=True), pure=False)
        yield from (future.result() for future in futures)


async def _answers(address: str) -> None:
    """Whether a scheduler answers; a client that failed to connect is closed here, where nothing of it is left to complain."""
    from distributed import Client

    client = Client(address, asynchronous=True, timeout=PATIENCE, set_as_default=False)
    try:
        await asyncio.wait_for(client, PATIENCE + 1)
    finally:
        await client.close(timeout=1)
