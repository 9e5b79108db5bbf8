"""The same work on many recordings: on all cores, or on an existing cluster. Results come as they are ready."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from typing import Any, TypeVar

from biofeedback.errors import BiofeedbackError

T = TypeVar("T")


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


def run_on_cluster(work: Callable[[str], T], names: Sequence[str], address: str) -> Iterator[T]:
    """The same on the dask.distributed scheduler at ``address``; its workers must see the same files."""
    try:
        distributed = import_module("distributed")
    except ImportError as error:
        raise BiofeedbackError("dask.distributed is not installed", "pip install 'biofeedback[cluster]'") from error
    try:
        client: Any = distributed.Client(address, timeout=10)
    except (OSError, ValueError) as error:
        raise BiofeedbackError(f"no scheduler answers at {address} ({error})", "check the address of --dask") from error
    with client:
        for _, result in distributed.as_completed(client.map(work, names, pure=False), with_results=True):
            yield result


def count_cores() -> int:
    """Cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1
