"""Addresses of a scheduler that are refused before anything is made."""

from __future__ import annotations

import socket
import sys

import pytest

from commandline import said
from evenflare.search import cluster

SEARCH = "search target.toml --out run --quiet"


@pytest.mark.parametrize("address", ["", "here", "tcp://", "tcp://host", "tcp://host:port", "http://host:80", "h:0"])
def test_malformed_address_is_refused(capsys, here, address):
    code, out, err = said(capsys, f"{SEARCH} --scheduler '{address}'")
    assert (code, out) == (2, "")
    assert err == (
        f"--scheduler = {address}: must be the address of a Dask scheduler, tcp://host:port with a port of 1 to 65535."
        " Write it as in tcp://192.168.1.20:8786\n"
    )
    assert not (here / "run").exists()


def test_address_where_nothing_or_something_else_answers_is_refused(capsys, here, monkeypatch):
    monkeypatch.setattr(cluster, "ANSWER", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        ports = [silent.getsockname()[1], 9]
        for port in ports:
            code, out, err = said(capsys, f"{SEARCH} --scheduler tcp://127.0.0.1:{port}")
            assert (code, out) == (2, "")
            assert err.startswith(
                f"--scheduler = tcp://127.0.0.1:{port}: no Dask scheduler answers there within 0.5 s."
            )
            assert "Give the address that `dask scheduler` prints when it starts" in err
    code, out, err = said(capsys, f"{SEARCH} --scheduler tls://127.0.0.1:9")
    assert (code, out) == (2, "")
    assert "tls needs certificates, and none are set up on this machine" in err
    assert not (here / "run").exists()


def test_workers_of_this_machine_and_a_scheduler_exclude_each_other(capsys, here):
    code, out, err = said(capsys, f"{SEARCH} --workers 2 --scheduler tcp://127.0.0.1:9")
    assert (code, out) == (2, "")
    assert err == (
        "--workers = 2: must be left out where --scheduler is given: the cluster's own workers do the work\n"
    )


def test_missing_library_is_told_with_what_to_install(capsys, here, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    code, out, err = said(capsys, f"{SEARCH} --scheduler tcp://127.0.0.1:9")
    assert (code, out) == (2, "")
    assert err == (
        "--scheduler needs the library dask, which is not installed. Install it: pip install 'evenflare[cluster]'\n"
    )
