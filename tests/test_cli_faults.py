"""Faults of our own and of the surroundings, told in one line."""

from __future__ import annotations

import errno
import os
import tempfile
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from commandline import said
from evenflare import __version__
from evenflare.commands import designs

pytestmark = pytest.mark.usefixtures("compiled")


def test_own_fault_is_one_line_that_names_the_details(capsys, here, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("the wheels came off")

    monkeypatch.setattr(designs, "export_command", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(here))
    code, out, err = said(capsys, "export design.toml --out 'a folder' --quiet")
    assert (code, out) == (3, "")
    assert err.count("\n") == 1
    assert err.startswith("internal error (the wheels came off). Details: ")
    details = Path(err.strip().rpartition("Details: ")[2])
    assert details.parent == here
    text = details.read_text()
    assert "evenflare export design.toml --out 'a folder' --quiet" in text
    assert __version__ in text
    assert "Traceback" in text
    assert "RuntimeError: the wheels came off" in text


def test_own_fault_without_room_for_the_details_is_still_one_line(capsys, here, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("the wheels came off")

    monkeypatch.setattr(designs, "export_command", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(here / "design.toml"))
    code, _, err = said(capsys, "export design.toml --out out --quiet")
    assert code == 3
    assert "The details could not be written (Not a directory)" in err
    assert err.count("\n") == 1


def test_pipe_that_breaks_without_its_reader_gone_is_no_success(capsys, here, monkeypatch):
    def broken(*_, **__):
        raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))

    monkeypatch.setattr(designs, "export_command", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(here))
    code, _, err = said(capsys, "export design.toml --out out --quiet")
    assert code == 3
    assert err.startswith("internal error ([Errno 32] Broken pipe)")


def test_worker_that_cannot_be_started_is_told(capsys, here, monkeypatch):
    def broken(*_, **__):
        raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))

    monkeypatch.setattr(BaseProcess, "start", broken)
    code, out, err = said(capsys, "search target.toml --out out --workers 2 --quiet")
    assert (code, out) == (2, "")
    assert err.startswith("a worker process could not be started (Broken pipe). Free some memory, or run it again with")
