"""A Dask cluster as the processes of a search: any number of machines, behind the address of one scheduler."""

from __future__ import annotations

import logging
import re
import threading
import warnings
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from evenflare.files import InputError
from evenflare.search.pool import Judges

if TYPE_CHECKING:
    from distributed import Client

ANSWER = 5.0
"""s within which a scheduler must answer."""
PATIENCE = 10.0
"""s within which a scheduler must have a worker."""
WATCH = 2.0
"""s between looks at whether any workers are left."""
ALIKE = ("evenflare", "numpy", "scipy", "numba")
"""Packages on which a score depends: equal everywhere, or another machine would give another history."""

ADDRESS = re.compile(r"(?:(tcp|tls)://)?(\[[0-9a-fA-F:.]+\]|[^\s:/\[\]]+):(\d{1,5})/?")
EXAMPLE = "tcp://192.168.1.20:8786"


def check_cluster(address: str) -> None:
    """InputError where `connected` would refuse the address, or nothing answers there. It asks for no work."""
    _check_extra()
    named, whole = f"--scheduler = {address}", _whole(address)
    remedy = f"Give the address that `dask scheduler` prints when it starts, as in {EXAMPLE}"
    try:
        with ThreadPoolExecutor(1) as aside:  # a notebook's own loop runs in this thread already
            kind = aside.submit(_kind, whole).result()
    except TypeError as error:  # how the library says that it has no certificate
        raise InputError(
            f"{named}: tls needs certificates, and none are set up on this machine. Name them in Dask's configuration"
            " (distributed.comm.tls), or use tcp://"
        ) from error
    except (OSError, ValueError, RuntimeError) as error:
        raise InputError(
            f"{named}: no Dask scheduler answers there within {ANSWER:g} s. {remedy}; if it runs, see that no firewall"
            " stands between"
        ) from error
    if kind != "Scheduler":
        raise InputError(f"{named}: a {kind.lower()} answers there, not a scheduler. {remedy}")


@contextmanager
def connected(address: str, *, say: Callable[[str], None]) -> Iterator[Judges]:
    """The workers of a running Dask cluster, for `run_search(executor=...)`.

    address : of its scheduler, tcp://host:port.
    say     : told when no workers are left, and when some are back; the search waits for them.
    Errors  : InputError, also out of the block: no such scheduler, no worker within PATIENCE, a worker with other
              packages than this machine's, and, later, a scheduler lost or a call that keeps ending its worker, which
              costs a search only that candidate.
              A worker that is lost costs no error: the scheduler has another one judge what it was at.
    """
    check_cluster(address)
    from distributed import Client, KilledWorker
    from distributed.client import ClosedClientError
    from distributed.comm import CommClosedError

    for name in ("distributed", "distributed.client", "distributed.core"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what matters is told here, in the user's words
    named = f"--scheduler = {address}"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of versions, which are looked at below
            client = Client(_whole(address), timeout=ANSWER, set_as_default=False)
        with client, _watched(client, named, say):
            _check_workers(client, named)
            yield _Alike(client.get_executor(pure=False), _versions(), (KilledWorker,))
    except KilledWorker as error:
        raise InputError(
            f"{named}: a candidate ended the worker it was given to, and again every time it was given to another: most"
            " likely for lack of memory. Give each worker more, or fewer threads (dask worker --nthreads 1), and run"
            " the same command again: what finished is kept"
        ) from error
    except (CancelledError, ClosedClientError, CommClosedError) as error:
        raise InputError(
            f"{named}: the connection to the scheduler was lost. See that it runs, then run the same command again:"
            " what finished is kept"
        ) from error


@dataclass(frozen=True)
class _Alike:
    """An executor whose workers must have the same packages as this machine, those that join later too."""

    executor: Judges
    versions: Mapping[str, str]
    lost: tuple[type[BaseException], ...] = ()

    def submit(self, fn: Callable[..., Any], /, *args: Any) -> Future[Any]:
        return self.executor.submit(_carried_out, self.versions, fn, *args)


def _carried_out(versions: Mapping[str, str], fn: Callable[..., Any], *args: Any) -> Any:
    """On a worker: the call, on one core, if this worker is like the machine that asks."""
    _use_one_core()
    if other := _differing(_versions(), versions):
        import socket

        raise InputError(_refusal("--scheduler", {socket.gethostname(): other}))
    return fn(*args)


@lru_cache(maxsize=1)
def _use_one_core() -> None:
    """Linear algebra on one thread, as in a process of this machine's own: the cluster has a worker for each core."""
    from threadpoolctl import threadpool_limits

    threadpool_limits(1)


@lru_cache(maxsize=1)
def _versions() -> dict[str, str]:
    """Of the packages that must be ALIKE, in this process."""

    def found(name: str) -> str:
        try:
            return version(name)
        except PackageNotFoundError:
            return ""

    return {name: found(name) for name in ALIKE}


def _differing(theirs: Mapping[str, str | None], ours: Mapping[str, str]) -> str:
    """What a worker has otherwise, in words; empty if nothing."""
    return ", ".join(
        f"{name} {theirs.get(name) or 'missing'} ({own} here)"
        for name, own in ours.items()
        if (theirs.get(name) or "") != own
    )


def _refusal(named: str, differing: Mapping[str, str]) -> str:
    each = "; ".join(f"{worker} has {other}" for worker, other in differing.items())
    return (
        f"{named}: workers must have the same packages as this machine, or the same seed would give another search:"
        f" {each}. Install the same versions there"
    )


def _check_workers(client: Client, named: str) -> None:
    """InputError without a worker, or with one whose packages differ."""
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
    except TimeoutError as error:
        raise InputError(
            f"{named}: the scheduler has no workers, and none came within {PATIENCE:g} s. Start some, one on each core:"
            f" dask worker {client.scheduler.address} --nworkers auto --nthreads 1"
        ) from error
    found = client.get_versions(packages=list(ALIKE))
    ours = _versions() | {"python": _minor(found["client"]["packages"]["python"])}
    differing: dict[str, str] = {}
    for worker, each in found["workers"].items():
        theirs = each["packages"] | {"python": _minor(each["packages"]["python"])}
        if other := _differing(theirs, ours):
            differing[worker] = other
    if differing:
        raise InputError(_refusal(named, differing))


def _minor(python: str) -> str:
    return ".".join(python.split(".")[:2])


@contextmanager
def _watched(client: Client, named: str, say: Callable[[str], None]) -> Iterator[None]:
    """While the block lasts, tell when the last worker goes, and when one is back."""
    over = threading.Event()

    def watch() -> None:
        some = True
        while not over.wait(WATCH):
            if client.status == "running" and bool(_workers_of(client)) != some:
                some = not some
                say(
                    f"{named}: workers are back"
                    if some
                    else f"{named}: no workers are left; waiting for one. Ctrl-C keeps what is finished"
                )

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def _workers_of(client: Client) -> int:
    """How many the scheduler has. By its count, where it gives one: in the list of them, which the client also asks for
    by itself now and then, it may leave out all.
    """
    info = client.scheduler_info()
    return int(info.get("n_workers", len(info["workers"])))


def _check_extra() -> None:
    try:
        import distributed  # noqa: F401
    except ImportError as error:
        raise InputError(
            "--scheduler needs the library dask, which is not installed. Install it: pip install 'evenflare[cluster]'"
        ) from error


def _whole(address: str) -> str:
    """The address with its scheme. InputError if it is none."""
    found = ADDRESS.fullmatch(address.strip())
    if found is None or not 1 <= int(found[3]) <= 65535:
        raise InputError(
            f"--scheduler = {address}: must be the address of a Dask scheduler, tcp://host:port with a port of 1 to"
            f" 65535. Write it as in {EXAMPLE}"
        )
    return f"{found[1] or 'tcp'}://{found[2]}:{found[3]}"


def _kind(address: str) -> str:
    """What answers at an address, in Dask's word: Scheduler, Worker, Nanny."""
    import asyncio

    from distributed import Security
    from distributed.core import rpc

    async def asked() -> str:
        arguments = Security().get_connection_args("client")
        async with rpc(address, timeout=ANSWER, connection_args=arguments) as remote:
            return str((await asyncio.wait_for(remote.identity(), ANSWER))["type"])

    return asyncio.run(asked())
