"""Parts of a programme audited on a Dask cluster, of this machine or of several.

The parts lie in the output folder's own temporary folder, which all workers must see, and so must
they the exports, which they open. A worker that is lost is made good by the others: what it was
doing is done again. What goes wrong in a worker comes back as its kind alone, so that nothing of
the exports gets into a log.
"""

from __future__ import annotations

import logging
import os
import signal
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from math import inf
from multiprocessing import resource_tracker
from pathlib import Path
from threading import current_thread, main_thread
from typing import Any

from audit.ingest.shelf import Each
from audit.memory import memory_bytes

# Seconds in which a scheduler must answer.
PATIENCE_S = 10
# Of the memory, what all workers of this machine may take together; the rest is for what this
# process holds of their results.
OF_WORKERS = 0.75
# Of a cluster of this machine nothing is served to others, and nothing shown of its work.
HERE = "127.0.0.1:0"
NOTHING_SHOWN: dict[str, list[str]] = {
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
}
LOGGERS = ("distributed", "tornado", "asyncio", "bokeh")


class EngineError(RuntimeError):
    """A cluster that cannot be used; the message says why."""


class NotInstalledError(EngineError):
    """Dask is not installed."""


@dataclass(frozen=True)
class Failed:
    """An error in a worker, without its words."""

    kind: str
    errno: int | None = None
    is_of_memory: bool = False


def guarded(function: Callable[..., Any], number: int, *rest: Any) -> Any:
    """The function's result, or the kind of the error that ended it; runs in a worker."""
    try:
        return function(number, *rest)
    except OSError as error:
        return Failed(type(error).__name__, error.errno)
    except Exception as error:
        return Failed(type(error).__name__, is_of_memory=isinstance(error, MemoryError))


def unseen(paths: Sequence[Path]) -> list[Path]:
    """The files and folders that a worker does not see; runs in the worker."""
    # Unlike the path's own question it has an answer where a folder may not be looked into.
    return [path for path in paths if not os.path.exists(path)]


class DaskEngine:
    """Runs on the workers of a cluster.

    `memory_bytes` is what the smallest worker may take; as the workers say if not given.
    """

    def __init__(self, client: Any, memory_bytes: float = 0) -> None:
        self.client = client
        workers = client.scheduler_info(n_workers=-1)["workers"].values()
        self.workers = len(workers)
        limits = [worker["memory_limit"] or inf for worker in workers]
        self.memory_bytes = memory_bytes or min(limits, default=inf)

    @property
    def words(self) -> str:
        """See `Engine`."""
        return "Dask, 1 worker" if self.workers == 1 else f"Dask, {self.workers} workers"

    def each(self, function: Callable[..., Any], count: int, *rest: Any) -> Each:
        """See `Engine`; results come in order, whichever part is done first."""
        from distributed.scheduler import KilledWorker

        tasks = [
            self.client.submit(guarded, function, number, *rest, pure=False)
            for number in range(count)
        ]
        try:
            for task in tasks:
                found = task.result()
                if isinstance(found, Failed):
                    raise _raised(found)
                yield found
                task.release()
        except KilledWorker:
            raise EngineError(
                "the workers were lost again and again at the same piece of work; they may lack "
                "memory"
            ) from None
        finally:
            self.client.cancel(tasks)


def _raised(failed: Failed) -> Exception:
    if failed.errno is not None:
        return OSError(failed.errno, os.strerror(failed.errno))
    if failed.is_of_memory:
        return MemoryError()
    return EngineError(f"a worker was stopped by an error of the program itself ({failed.kind})")


@contextmanager
def _interrupted_later() -> Iterator[None]:
    """An interrupt from the keyboard waits until all is begun, and ends this process alone.

    The processes begun meanwhile are ended by this one, and need not tell of it themselves.
    """
    is_possible = hasattr(signal, "pthread_sigmask") and current_thread() is main_thread()
    if not is_possible:
        yield
        return
    waiting: list[int] = []
    usual = signal.signal(signal.SIGINT, lambda number, frame: waiting.append(number))
    # It would let interrupts through to all when it is begun with the first process.
    resource_tracker.ensure_running()
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        signal.signal(signal.SIGINT, usual)
    if waiting:
        raise KeyboardInterrupt


@contextmanager
def dask_engine(
    scheduler: str | None, workers: int | None, inputs: Sequence[Path] = ()
) -> Iterator[DaskEngine]:
    """A cluster of this machine's processes, or the one of a scheduler's address.

    Raises `NotInstalledError` without Dask, and `EngineError` where the scheduler does not
    answer, has no worker, or a worker does not see the inputs or the temporary folder.
    """
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError:
        raise NotInstalledError(
            "--engine dask: Dask is not installed; pip install 'enteral-order-audit[dask]'"
        ) from None
    for name in LOGGERS:
        # What they write may hold a part of what is worked on.
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    if scheduler is None:
        count = workers or os.cpu_count() or 1
        with ExitStack() as begun:
            with _interrupted_later():
                begun.enter_context(dask.config.set(NOTHING_SHOWN))
                cluster = LocalCluster(
                    n_workers=count,
                    threads_per_worker=1,
                    processes=True,
                    dashboard_address=HERE,
                    worker_dashboard_address=HERE,
                    memory_limit=int(memory_bytes() * OF_WORKERS / count),
                    local_directory=tempfile.gettempdir(),
                    silence_logs=logging.CRITICAL + 1,
                )
                client = begun.enter_context(Client(begun.enter_context(cluster)))
            yield DaskEngine(client)
        return
    try:
        client = Client(scheduler, timeout=PATIENCE_S)
    except (OSError, TimeoutError, ValueError):
        raise EngineError(
            f"--scheduler {scheduler}: no scheduler answered there; expected an address such as "
            "tcp://host:8786"
        ) from None
    with client:
        engine = DaskEngine(client)
        if not engine.workers:
            raise EngineError(f"--scheduler {scheduler}: this scheduler has no workers")
        # What is not there at all is left to the reading, which says so.
        given = {path.absolute(): str(path) for path in inputs if path.exists()}
        wanted = [*given, Path(tempfile.gettempdir())]
        missing = [path for paths in client.run(unseen, wanted).values() for path in paths]
        if missing:
            what = given.get(missing[0], "the output folder (--out)")
            raise EngineError(
                f"--scheduler {scheduler}: a worker does not see {what}; exports and output "
                "folder must be on a disk that all workers share"
            )
        yield engine
