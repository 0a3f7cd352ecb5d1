"""Who does the work: worker processes on this machine, or those of a cluster.

A crew takes calls and gives back what came of each, in any order. A worker may die at any
time; the others go on.
"""

from __future__ import annotations

import importlib
import logging
import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Protocol, TypeVar

from covermap import __version__
from covermap.errors import CovermapError, OutputError, SettingsError
from covermap.seasons.job_record import holds

T = TypeVar("T")

_TRIES = 3
_LOOK_EVERY_S = 5.0
_NO_WORKER_FOR_S = 60.0
_ANSWER_WITHIN_S = 15.0


class WorkerDied(Exception):  # noqa: N818
    """The process that had a call died, every time it was tried."""


class Crew(Protocol):
    """Runs calls of one function."""

    def run(
        self, work: Callable[..., T], calls: Iterable[tuple[str, tuple[Any, ...]]]
    ) -> Iterator[tuple[str, T | BaseException]]:
        """Give name and outcome of each call, as they end."""


class OnDask:
    """Calls on the workers of a Dask scheduler, few at a time.

    Parameters
    ----------
    client : distributed.Client
    tries : int
        A call whose worker died is tried so often in all, the later times alone: what
        fills the memory beside others may fit by itself.
    """

    def __init__(self, client: Any, tries: int) -> None:
        self.client = client
        self.tries = tries

    def run(
        self, work: Callable[..., T], calls: Iterable[tuple[str, tuple[Any, ...]]]
    ) -> Iterator[tuple[str, T | BaseException]]:
        """Give name and outcome of each call, as they end."""
        killed_worker = _engine("distributed").KilledWorker
        waiting = iter(calls)
        alone: deque[tuple[str, tuple[Any, ...]]] = deque()
        deaths: dict[str, int] = {}
        flying: dict[Any, tuple[str, tuple[Any, ...]]] = {}

        def fly(call: tuple[str, tuple[Any, ...]]) -> None:
            future = self.client.submit(work, *call[1], pure=False)
            flying[future] = call

        with _told_if_lost():
            while True:
                while len(flying) < self._most_flying() and (call := next(waiting, None)):
                    fly(call)
                if not flying and alone:
                    fly(alone.popleft())
                if not flying:
                    return
                for future in self._next(list(flying)):
                    call = flying.pop(future)
                    if future.status == "cancelled":
                        raise _lost()
                    error = future.exception()
                    if isinstance(error, killed_worker):
                        deaths[call[0]] = deaths.get(call[0], 0) + 1
                        if deaths[call[0]] < self.tries:
                            alone.append(call)
                            continue
                        error = WorkerDied()
                    outcome: T | BaseException = future.result() if error is None else error
                    future.release()
                    yield call[0], outcome

    def _most_flying(self) -> int:
        return max(2, 2 * int(sum(self.client.nthreads().values())))

    def _next(self, futures: list[Any]) -> list[Any]:
        """Wait until some are done; say so if nobody works on them any more."""
        wait = _engine("distributed").wait
        idle_since: float | None = None
        while True:
            with suppress(TimeoutError):
                ended = wait(futures, timeout=_LOOK_EVERY_S, return_when="FIRST_COMPLETED")
                return [future for future in futures if future in ended.done]
            if self.client.nthreads():
                idle_since = None
            elif idle_since is None:
                idle_since = time.monotonic()
            elif time.monotonic() - idle_since > _NO_WORKER_FOR_S:
                raise SettingsError(
                    f"No worker has been there for {_NO_WORKER_FOR_S:g} s.",
                    way_out="Start workers and run the season again; finished fields are kept.",
                )


@contextmanager
def _told_if_lost() -> Iterator[None]:
    from concurrent.futures import CancelledError

    lost_error = _engine("distributed").CancelledError
    try:
        yield
    except (CancelledError, lost_error, OSError) as error:
        if isinstance(error, CovermapError):
            raise
        raise _lost() from error


def _lost() -> CovermapError:
    return SettingsError(
        "The scheduler was lost while the season ran.",
        way_out="Start it and run the season again; finished fields are kept.",
    )


@contextmanager
def dask_crew(
    workers: int | None, scheduler: str | None, out: Path, token: str
) -> Iterator[OnDask]:
    """Start worker processes here, or join those of a scheduler; end them or leave after.

    Parameters
    ----------
    workers : int or None
        Number of processes; one for each core if None.
    scheduler : str or None
        Address of a scheduler that is there already.
    out : pathlib.Path
        Folder of results, which every worker must see.
    token : str
        Of the run that holds it.

    Raises
    ------
    SettingsError
        If Dask is not installed, or no scheduler answers.
    OutputError
        If a worker does not see the folder.
    """
    dask, distributed = _engine("dask"), _engine("distributed")
    if scheduler is not None:
        with _log_kept_back(), _joined(distributed, scheduler) as client:
            _check_workers(client, out, token)
            # the scheduler has its own rule for how often a call may kill a worker
            yield OnDask(client, tries=1)
        return
    rules = {
        "distributed.scheduler.allowed-failures": 0,
        "distributed.scheduler.worker-saturation": 1.0,
    }
    with dask.config.set(rules):
        cluster = distributed.LocalCluster(
            n_workers=workers or _cores(),
            threads_per_worker=1,
            processes=True,
            # no page, and a free port: 8787 may be another's
            dashboard_address="127.0.0.1:0",
            scheduler_kwargs={"dashboard": False},
            memory_limit=0,
            silence_logs="CRITICAL",
        )
    client = distributed.Client(cluster)
    try:
        client.register_plugin(_left_alone(distributed))
        _check_workers(client, out, token)
        yield OnDask(client, tries=_TRIES)
    finally:
        client.close()
        cluster.close()


def _engine(name: str) -> Any:
    """Import Dask when it is used, and only then.

    Raises
    ------
    SettingsError
        If it is not installed.
    """
    try:
        return importlib.import_module(name)
    except ImportError:
        raise SettingsError(
            "covermap season needs Dask.", way_out='Install it with: pip install "covermap[season]"'
        ) from None


def _cores() -> int:
    from covermap.ground.threads import core_count

    return core_count()


@contextmanager
def _joined(distributed: Any, scheduler: str) -> Iterator[Any]:
    try:
        client = distributed.Client(scheduler, timeout=_ANSWER_WITHIN_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise SettingsError(
            f"{scheduler}: no scheduler answers there ({error}).",
            "Expected an address such as tcp://10.0.0.5:8786.",
        ) from None
    try:
        if not client.nthreads():
            with suppress(TimeoutError):
                client.wait_for_workers(1, timeout=_ANSWER_WITHIN_S)
        if not client.nthreads():
            raise SettingsError(
                f"The scheduler {scheduler} has no workers.",
                way_out=f"Start some with: dask worker {scheduler}",
            )
        yield client
    finally:
        client.close()


@contextmanager
def _log_kept_back() -> Iterator[None]:
    """Keep the engine's own log, tracebacks and all, from a person who is told in words."""
    names = [n for n in logging.root.manager.loggerDict if n.split(".")[0] == "distributed"]
    before = {name: logging.getLogger(name).level for name in names}
    try:
        for name in names:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


def _left_alone(distributed: Any) -> Any:
    """Give a plugin that keeps Ctrl-C of the terminal from the workers: the run ends them."""

    class LeftAlone(distributed.WorkerPlugin):  # type: ignore[misc]
        name = "covermap-left-alone"

        def setup(self, worker: Any) -> None:  # noqa: ARG002
            import signal

            signal.signal(signal.SIGINT, signal.SIG_IGN)

    return LeftAlone()


def seen_from_here(out: str, token: str) -> tuple[bool, str]:
    """Tell whether a worker sees the folder of this run, and its version of covermap."""
    return holds(Path(out), token), __version__


def _check_workers(client: Any, out: Path, token: str) -> None:
    """Ask every worker for the folder and its version."""
    try:
        answers = client.run(seen_from_here, os.fspath(out), token)
    except ImportError as error:
        raise SettingsError(
            f"A worker has no covermap ({error}).", way_out=f"Install covermap {__version__} there."
        ) from None
    for address, (sees, version) in answers.items():
        if not sees:
            raise OutputError(
                f"The worker {address} does not see the folder {out} of this run.",
                "",
                "Source and results must lie in folders that all workers share under the same "
                "path.",
            )
        if version != __version__:
            raise SettingsError(
                f"The worker {address} has covermap {version}, this is {__version__}.",
                way_out="Install the same everywhere.",
            )
