"""Where a Ctrl-C must wait: libraries that draw catch whatever is raised while they are imported, and would lose it;
and one that is raised while futures are taken to be waited for leaves some of them locked for ever.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def interruptions_held() -> Iterator[None]:
    """What asks the search to end waits until the block is left."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[tuple[int, FrameType | None]] = []
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    held = {number: handler for number, handler in handlers.items() if callable(handler)}
    for number in held:
        signal.signal(number, lambda *each: came.append(each))
    try:
        yield
    finally:
        for number, handler in held.items():
            signal.signal(number, handler)
    for which, frame in came:
        held[signal.Signals(which)](which, frame)
