"""Compiled functions: the decorator, and a place where what is compiled outlives the run.

numba keeps compiled code beside the source, or in the user's home. Where neither can be written (a system-wide
installation, a service without a home) it refuses to load; then a folder of the user's own among the temporary ones
serves. NUMBA_CACHE_DIR, numba's own variable, comes before all of them.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path

import numba
from numba import njit

from evenflare.files import InputError

__all__ = ["njit"]


def _probe() -> None:
    """Compiled by nobody: numba looks for a place for it as soon as it is decorated."""


def _find_a_place() -> None:
    """Nothing if numba finds a place of its own, else it is given one. InputError if there is none at all."""
    try:
        njit(cache=True)(_probe)
    except RuntimeError:
        try:
            numba.config.CACHE_DIR = str(_temporary_folder())
        except OSError as error:
            raise InputError(
                "compiled code cannot be kept: neither the folder of the installation nor the home folder nor the one"
                " for temporary files can be written. Set NUMBA_CACHE_DIR to a folder you may write to"
            ) from error


def _temporary_folder() -> Path:
    """The user's own, the same for every run; for this run alone if somebody else could have put code there."""
    folder = Path(tempfile.gettempdir()) / f"evenflare-compiled-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    found = folder.lstat()
    if folder.is_symlink() or found.st_uid != os.getuid() or found.st_mode & 0o077:
        folder = Path(tempfile.mkdtemp(prefix="evenflare-compiled-"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


_find_a_place()
