"""Linear algebra on one thread while anything is being solved: matrices are small, or spread over cores already."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

from threadpoolctl import ThreadpoolController


class _Held:
    """How many solve at this moment, in whichever threads, and what restores the limit that stood before them."""

    lock = threading.Lock()
    count = 0
    limit: Any = None


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    """Finding the libraries takes longer than many a solve."""
    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """While it is open, linear algebra keeps to one thread; where several threads have it open, until the last is done.

    The limit is the process's: one of its own for each would be lifted in the midst of another's work.
    """
    with _Held.lock:
        if _Held.count == 0:
            _Held.limit = _controller().limit(limits=1)
        _Held.count += 1
    try:
        yield
    finally:
        with _Held.lock:
            _Held.count -= 1
            if _Held.count == 0:
                _Held.limit.restore_original_limits()
