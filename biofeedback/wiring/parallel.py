"""The same work on many recordings: on all cores, or on an existing cluster. Results come as they are ready."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar

from biofeedback import __version__
from biofeedback.errors import BiofeedbackError
from biofeedback.storage.extras import tell_install

T = TypeVar("T")
PATIENCE_S = 10.0  # for the first worker


def run_parallel(work: Callable[[str], T], names: Sequence[str], *, n_workers: int | None = None) -> Iterator[T]:
    """``work(name)`` for every name, in any order. ``work`` must be importable, and tell errors in its result.

    ``n_workers`` None is one per core; 1 works in this process.
    """
    n = min(len(names), n_workers or count_cores())
    if n <= 1:
        yield from map(work, names)
        return
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one thread per process: the processes fill the cores
    with multiprocessing.get_context("spawn").Pool(n) as pool:
        yield from pool.imap_unordered(work, names)


def run_on_cluster(
    work: Callable[[str], T], names: Sequence[str], address: str, *, folder: Path, patience_s: float = PATIENCE_S
) -> Iterator[T]:
    """The same on the dask.distributed scheduler at ``address``; its workers must see the same ``folder``.

    Before any work begins every worker is asked for its version and whether it sees the folder. Raises BiofeedbackError
    when nobody answers, when there is no worker within ``patience_s``, or when one of them does not fit.
    """
    try:
        distributed = import_module("distributed")
    except ImportError as error:
        raise BiofeedbackError("dask.distributed is not installed", tell_install("cluster")) from error
    try:
        client: Any = distributed.Client(address, timeout=10)
    except (OSError, ValueError) as error:
        raise BiofeedbackError(f"no scheduler answers at {address} ({error})", "check the address of --dask") from error
    with client:
        if client.dashboard_link:
            print(f"progress: {client.dashboard_link}", file=sys.stderr)
        try:
            client.wait_for_workers(1, timeout=patience_s)
        except TimeoutError as error:
            raise BiofeedbackError(
                f"the scheduler at {address} has no worker after {patience_s:g} s", "start workers, then try again"
            ) from error
        check_workers(client.run(look_around, str(folder)), folder)
        for _, result in distributed.as_completed(client.map(work, names, pure=False), with_results=True):
            yield result


def look_around(folder: str) -> tuple[str, bool]:
    """What a worker says of itself: the program's version, and whether it sees the folder."""
    return __version__, Path(folder).is_dir()


def check_workers(told: Mapping[str, tuple[str, bool]], folder: Path) -> None:
    """BiofeedbackError for the first worker that would make other rows, or none."""
    for worker, (version, sees_it) in told.items():
        if version != __version__:
            raise BiofeedbackError(
                f"worker {worker} has version {version}, this program {__version__}", "install the same there"
            )
        if not sees_it:
            raise BiofeedbackError(f"worker {worker} does not see {folder}", "mount it there under the same path")


def count_cores() -> int:
    """Cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1
