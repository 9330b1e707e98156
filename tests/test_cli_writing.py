"""Folders that cannot be written and disks that are full: what is told, and what is left on the disk."""

from __future__ import annotations

import errno
import os
import resource
from pathlib import Path

import pytest

from commandline import DESIGN, contents, finished, said

pytestmark = pytest.mark.usefixtures("compiled")


@pytest.mark.parametrize("command", ["solve design.toml", "export design.toml", "search target.toml --workers 1"])
@pytest.mark.parametrize("folder", ["design.toml", "design.toml/sub"])
def test_folder_that_cannot_be_made_is_told(capsys, here, command, folder):
    before = contents(here)
    code, out, err = said(capsys, f"{command} --out {folder} --quiet")
    assert (code, out) == (2, "")
    assert err == "design.toml: is a file, not a folder. Choose another --out\n"
    assert contents(here) == before


@pytest.mark.usefixtures("unpainted")
@pytest.mark.parametrize("command", ["solve --setting estimate", "export"])
def test_full_disk_leaves_old_files_whole_and_no_temporary_ones(capsys, here, command):
    assert said(capsys, f"{command} design.toml --out out")[0] == 0
    old = contents(here / "out")
    (here / "design.toml").write_text(DESIGN.replace("= 42", "= 38"))
    for fitting in (0, 2):
        flushed = []

        def fsync(handle: int, flushed=flushed, fitting=fitting) -> None:
            flushed.append(handle)
            if len(flushed) > fitting:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        with pytest.MonkeyPatch.context() as full:
            full.setattr(os, "fsync", fsync)
            code, out, err = said(capsys, f"{command} design.toml --out out")
        assert (code, out) == (2, "")
        assert len(flushed) == fitting + 1
        assert "cannot be written: the disk is full. Free some space" in err
        assert contents(here / "out") == old, "nothing is replaced until all is written"
    assert said(capsys, f"{command} design.toml --out out")[0] == 0
    assert contents(here / "out") != old


def small_files() -> None:
    """In a process about to start: no file may grow beyond 20 kB."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))


@pytest.mark.parametrize("command", ["solve design.toml --setting estimate", "export design.toml"])
def test_write_that_the_system_refuses_leaves_no_half_file(capsys, here, command):
    # Once without the limit, so that libraries have written their own caches: those may be larger.
    assert said(capsys, f"{command} --out before --quiet")[0] == 0
    code, out, err = finished(f"{command} --out out --quiet", preexec_fn=small_files)
    assert (code, out) == (2, "")
    assert "cannot be written" in err
    assert "requested and" not in err
    assert contents(here / "out") == {}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="writes to a device that is always full")
@pytest.mark.parametrize(
    "command", ["plan --source-height-m 3 --microphone-height-m 3 --distance-m 2 --mouth-mm 90", "check"]
)
def test_full_standard_output_is_the_surroundings_fault(here, command):
    with open("/dev/full", "w") as full:
        code, _, err = finished(f"{command} --quiet", stdout=full)
    assert code == 2
    assert err == "cannot write: the disk is full. Free some disk space, then run it again\n"
