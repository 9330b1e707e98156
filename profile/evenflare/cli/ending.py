"""A request to end, by Ctrl-C, by the system or by a terminal that goes away, taken where it does no harm."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

AGAIN = 0.05
"""s after which a request to end that came while code was loaded is made again."""


@contextmanager
def terminable(asked: threading.Event) -> Iterator[None]:
    """A request to end, as the system sends it at shutdown, and a terminal that goes away are taken as Ctrl-C.

    But for one that nohup has already asked to ignore. SIGINT stays as it is, ignored in the background of a script.

    asked : set once there was one.
    """

    def interrupt(number: int, frame: FrameType | None) -> None:
        asked.set()
        if _loading_code(frame):
            later = threading.Timer(AGAIN, os.kill, (os.getpid(), number))
            later.daemon = True
            later.start()
        elif (caller := _caller_of_compiled_code(frame)) is not None:
            _interrupt_at_next_line(caller)
        else:
            raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may hear signals
        return
    hears = [signal.SIGTERM, *([] if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN else [signal.SIGHUP])]
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        hears.append(signal.SIGINT)
    before = {each: signal.signal(each, interrupt) for each in hears}
    try:
        yield
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)


def _named(frame: FrameType, *names: str) -> bool:
    """Whether a frame is of a module whose name begins so."""
    return str(frame.f_globals.get("__name__", "")).startswith(names)


def _up_from(frame: FrameType | None) -> Iterator[FrameType]:
    while frame is not None:
        yield frame
        frame = frame.f_back


def _loading_code(frame: FrameType | None) -> bool:
    """Whether a module or compiled code is being loaded: an interruption there is lost or becomes another error."""
    return any(_named(each, "importlib._bootstrap", "llvmlite.") for each in _up_from(frame))


def _caller_of_compiled_code(frame: FrameType | None) -> FrameType | None:
    """Who called the compiled code that is asking for the types of what it returns, if any is.

    What was raised meanwhile is met there, and compiled code does not look: of two arrays it would return the second
    beside a null pointer.
    """
    for each in _up_from(frame):
        if _named(each, "numba.core.serialize") and each.f_back is not None and not _named(each.f_back, "numba."):
            return each.f_back
    return None


def _interrupt_at_next_line(frame: FrameType) -> None:
    """Raise KeyboardInterrupt in a frame as soon as what it has called returns."""

    def raising(*_: object) -> None:
        raise KeyboardInterrupt  # which ends the tracing, too

    frame.f_trace = raising
    sys.settrace(lambda *_: None)
