"""What a file may become that is none."""

from __future__ import annotations

import os
import socket
from contextlib import closing
from pathlib import Path
from random import Random


def another_kind(path: Path, random: Random) -> str:
    """What stands under the name is no file in order: a pipe, a folder, a device, a socket, a link, or nothing."""
    kind = random.randrange(9)
    whole = path.read_bytes()
    path.unlink()
    if kind == 0:
        os.mkfifo(path)
        return "is a pipe"
    if kind == 1:
        path.mkdir()
        return "is a folder"
    if kind == 2:
        path.symlink_to(random.choice(("/dev/zero", "/dev/null", "/dev/full", "/dev/tty")))
        return "is a device"
    if kind == 3:
        path.symlink_to(path.name)
        return "is a link to itself"
    if kind == 4:
        with closing(socket.socket(socket.AF_UNIX)) as served:
            here = os.getcwd()
            os.chdir(path.parent)  # a socket's name is short
            try:
                served.bind(path.name)
            finally:
                os.chdir(here)
        return "is a socket"
    if kind == 5:
        path.write_bytes(b"")
        return "is empty"
    if kind == 6:
        with path.open("wb") as file:
            file.write(whole)
            file.truncate(random.choice((10**6, 10**8, 10**11)))
        return "is a file of holes"
    if kind == 7:
        path.with_suffix(".kept").write_bytes(whole)
        path.symlink_to(path.with_suffix(".kept").name)
        return "is a link to a file in order"
    return "is missing"
