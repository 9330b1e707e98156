"""Processes of this machine that judge candidates. One that is killed costs its candidate a second try, no more."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any, Protocol

from evenflare.files import InputError

GRACE = 10.0
"""s that a worker goes on when it is asked to end."""
AHEAD = 2
"""Calls that a worker is given at a time, so that it need not wait for the next."""
SMALL = 32768
"""Bytes that a pipe takes though nobody reads."""
FALSE_STARTS = 3
"""Processes that may end while they load, one after another, before that is taken for the rule."""
LOADED = ("evenflare.search.worker", "threadpoolctl")
"""Modules that every worker needs."""
HELD_BACK = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class LostError(RuntimeError):
    """The process ended that was at a call."""


class Judges(Protocol):
    """Processes that judge candidates: any concurrent.futures.Executor, on this machine or on others.

    Those that go on when a process of theirs is killed name in `lost` the errors by which they tell what it was at.
    """

    def submit(self, fn: Callable[..., Any], /, *args: Any) -> Future[Any]:
        """Have `fn` called with these arguments."""
        ...


def losses(judges: Judges) -> tuple[type[BaseException], ...]:
    """The errors by which some judges tell what a process was at that was killed."""
    return tuple(getattr(judges, "lost", ()))


@contextmanager
def pool(workers: int) -> Iterator[Judges]:
    """Processes that judge candidates; one worker is a thread of this process, which needs no start-up."""
    if workers == 1:
        with ThreadPoolExecutor(1) as thread:
            yield thread
        return
    processes = _Pool(workers)
    try:
        yield processes
        processes.end()
    except BaseException:
        processes.end(at_once=True)
        raise


@dataclass
class _Call:
    """What is asked for, packed."""

    packed: bytes
    future: Future[Any]


@dataclass
class _Worker:
    """A process, our end of the pipe to it, and what it was given, in its order; loaded: it has said so."""

    process: Any
    pipe: Any
    given: deque[_Call] = field(default_factory=deque)
    loaded: bool = False


class _Pool:
    """Workers that a thread of their own hands calls to; it alone touches them."""

    lost = (LostError,)

    def __init__(self, workers: int) -> None:
        from multiprocessing import Pipe

        self._context = _context()
        self._lock = threading.Lock()
        self._due: deque[_Call] = deque()
        self._fault: Exception | None = None
        self._false_starts = 0
        self._ending = False
        self._count = workers
        self._workers: list[_Worker] = []
        self._bell, self._ringer = Pipe(duplex=False)
        self._thread = threading.Thread(target=self._serve, name="workers", daemon=True)
        self._thread.start()

    def submit(self, fn: Callable[..., Any], /, *args: Any) -> Future[Any]:
        """Have `fn` called. InputError if no process can be started."""
        call = _Call(pickle.dumps((fn, args)), Future())
        with self._lock:
            if self._fault is not None:
                raise self._fault
            self._due.append(call)
        self._ringer.send_bytes(b"")
        return call.future

    def end(self, *, at_once: bool = False) -> None:
        """End the workers when they have done what they were given; `at_once`: what waits is left."""
        with self._lock:
            if at_once:
                for call in self._due:
                    call.future.cancel()
            self._ending = True
        self._ringer.send_bytes(b"")
        try:
            self._thread.join()
        finally:
            for worker in self._workers:  # only after a second Ctrl-C is there any left
                worker.process.kill()

    def _serve(self) -> None:
        """The thread: start the workers, hand out, take in, and replace those that end."""
        from multiprocessing.connection import wait

        try:
            while self._hand_out():
                watched = {each.pipe: each for each in self._workers}
                for ready in wait([self._bell, *watched]):
                    if ready is self._bell:
                        self._bell.recv_bytes()
                    else:
                        self._take_in(watched[ready])
        except Exception as error:  # whoever waits must hear of it, whatever it is
            self._give_up(error)
        for worker in self._workers:
            if not worker.loaded:
                worker.process.kill()
            with suppress(OSError):
                worker.pipe.send_bytes(b"")
        for worker in self._workers:
            worker.process.join()
        self._workers.clear()

    def _hand_out(self) -> bool:
        """See that there are workers and that each has enough to do; False when there is no more to do."""
        while len(self._workers) < self._count and not (self._ending and not self._due):
            self._workers.append(self._started())
        # The least busy first, so that a few calls are spread over all.
        for depth in range(1, AHEAD + 1):
            for worker in self._workers:
                while len(worker.given) < depth and (call := self._next(depth)) is not None:
                    worker.given.append(call)
                    with suppress(OSError):  # it has ended: that is seen next
                        worker.pipe.send_bytes(call.packed)
        return not self._ending or any(worker.given for worker in self._workers)

    def _next(self, depth: int) -> _Call | None:
        """The next call that was not cancelled; to a worker that has one already, only what its pipe surely holds."""
        with self._lock:
            while self._due and (depth == 1 or len(self._due[0].packed) <= SMALL):
                call = self._due.popleft()
                if call.future.running() or call.future.set_running_or_notify_cancel():
                    return call
        return None

    def _take_in(self, worker: _Worker) -> None:
        """What a worker has to say; where it has ended, another in its place."""
        try:
            packed = worker.pipe.recv_bytes()
        except (EOFError, OSError):
            self._replace(worker)
            return
        self._false_starts = 0
        if not worker.loaded:
            worker.loaded = True
            return
        call = worker.given.popleft()
        try:
            good, value = pickle.loads(packed)
        except Exception as error:  # a value or an error that cannot be read back is the call's own fault
            good, value = False, error
        if good:
            call.future.set_result(value)
        else:
            call.future.set_exception(value)

    def _replace(self, worker: _Worker) -> None:
        """A worker has ended, and what it was at is lost; what waited behind goes to another."""
        self._workers.remove(worker)
        worker.pipe.close()
        worker.process.join()
        if worker.loaded and worker.given:
            worker.given.popleft().future.set_exception(LostError("the process ended that was at it"))
        else:
            self._false_starts += 1
        with self._lock:
            self._due.extendleft(reversed(worker.given))
        if self._false_starts >= FALSE_STARTS:
            raise InputError(
                "a worker process ended unexpectedly while it loaded: for lack of memory, or because a script starts"
                " the search outside `if __name__ == '__main__':`. Run it again with fewer workers: what finished is"
                " kept"
            )

    def _started(self) -> _Worker:
        """A new worker. InputError if the system refuses it."""
        from multiprocessing import resource_tracker

        try:
            resource_tracker.ensure_running()  # whose start would let go again of what is held back below
            # A terminal sends Ctrl-C and that it goes away, and a system that shuts down its request to end, to every
            # process. Workers inherit that all are held back while they load; the search's own thread alone answers.
            signal.pthread_sigmask(signal.SIG_BLOCK, HELD_BACK)
            ours, theirs = self._context.Pipe()
            process = self._context.Process(target=_work, args=(theirs, dict(os.environ)), daemon=True)
            process.start()
            theirs.close()
        except OSError as error:
            raise InputError(
                f"a worker process could not be started ({error.strerror or error}). Free some memory, or run it again"
                " with fewer --workers: what finished is kept"
            ) from error
        return _Worker(process, ours)

    def _give_up(self, fault: Exception) -> None:
        """There will be no more workers: tell it to whoever waits for one."""
        with self._lock:
            self._fault = fault
            left = [*self._due, *(call for worker in self._workers for call in worker.given)]
        for worker in self._workers:
            worker.process.kill()
        for call in left:
            if call.future.running() or call.future.set_running_or_notify_cancel():
                call.future.set_exception(fault)


def _context() -> Any:
    """How workers are started, safely beside threads: where the system is known to allow it, they are copies of one
    process that has loaded what all need, which takes a second of a core and a hundred megabytes, once.
    """
    from multiprocessing import get_context

    if sys.platform != "linux":
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(list(LOADED))
    return context


def _work(pipe: Any, environment: Mapping[str, str]) -> None:
    """In a worker: say that it is loaded, then do what comes, in its order, until nothing more does.

    environment : variables of the search's process, which may be others than when the first worker was started.
    """
    os.environ.clear()
    os.environ.update(environment)
    _prepare()
    pipe.send_bytes(b"")
    while packed := _received(pipe):
        try:
            fn, args = pickle.loads(packed)
            said = pickle.dumps((True, fn(*args)))
        except Exception as error:
            said = pickle.dumps((False, _portable(error)))
        pipe.send_bytes(said)


def _portable(error: Exception) -> Exception:
    """An error that can be sent, with where it happened."""
    import traceback

    where = "".join(traceback.format_exception(error))
    try:
        error.add_note(where)
        pickle.dumps(error)
    except Exception:  # whatever keeps it from being packed
        return RuntimeError(where)
    return error


def _received(pipe: Any) -> bytes:
    """The next call; nothing when the search is over."""
    try:
        return bytes(pipe.recv_bytes())
    except EOFError:
        return b""


def _prepare() -> None:
    """In a worker: leave interruptions to the parent, end when the parent is gone, and use one core."""
    from threadpoolctl import threadpool_limits

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _end_later)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
    threading.Thread(target=_end_with_parent, daemon=True).start()
    threadpool_limits(1)


def _end_later(number: int, frame: object) -> None:
    """The parent, which is asked to end as well, takes what is being solved and then ends the workers itself; only one
    that cannot has nothing else to end them.
    """
    timer = threading.Timer(GRACE, os._exit, (1,))
    timer.daemon = True
    timer.start()


def _end_with_parent() -> None:
    """A parent killed outright cannot tell its workers, which would wait for work for ever."""
    from multiprocessing import connection, parent_process

    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)
