"""Where compiled code is kept when neither the installation nor the home can be written; and threads in the tests."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from threadpoolctl import threadpool_info

import evenflare

COMPILE = "from evenflare.exterior.phase import cosine_sine; cosine_sine(0.5)"
CHECK = "import sys; from evenflare.cli import run; sys.exit(run(['check']))"


@pytest.fixture
def sealed(tmp_path):
    """A copy of the package where nothing can be kept beside the source, not even by the superuser: files stand where
    the folders for compiled code would."""
    copy = tmp_path / "site" / "evenflare"
    shutil.copytree(Path(evenflare.__file__).parent, copy, ignore=shutil.ignore_patterns("__pycache__"))
    for folder in (copy, *(each for each in copy.rglob("*") if each.is_dir())):
        (folder / "__pycache__").touch()
    return copy.parent


def ran(code, site, temporary):
    """A fresh interpreter without a home."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("NUMBA_", "XDG_"))}
    surroundings = {**kept, "HOME": os.devnull, "PYTHONPATH": str(site), "TMPDIR": str(temporary)}
    return subprocess.run([sys.executable, "-c", code], env=surroundings, capture_output=True, text=True, check=False)


def test_code_is_kept_among_the_temporary_files_and_found_again(sealed, tmp_path):
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    assert ran(COMPILE, sealed, temporary).returncode == 0
    folder = temporary / f"evenflare-compiled-{os.getuid()}"
    assert folder.stat().st_mode & 0o077 == 0  # nobody else may put code there that we would run
    first = {path: path.stat().st_mtime_ns for path in folder.rglob("*.nbc")}
    assert first
    assert ran(COMPILE, sealed, temporary).returncode == 0
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*.nbc")} == first


def test_folder_that_others_may_write_is_not_trusted(sealed, tmp_path):
    temporary = tmp_path / "temporary"
    folder = temporary / f"evenflare-compiled-{os.getuid()}"
    folder.mkdir(parents=True)
    folder.chmod(0o777)
    assert ran(COMPILE, sealed, temporary).returncode == 0
    assert list(temporary.rglob("*")) == [folder]  # nothing in it, and the one made for this run is gone


def test_no_place_at_all_is_told_with_what_to_set(sealed, tmp_path):
    done = ran(f"import tempfile; tempfile.tempdir = {os.devnull!r}; {CHECK}", sealed, tmp_path)
    assert done.returncode == 2
    assert "Set NUMBA_CACHE_DIR to a folder you may write to" in done.stderr
    assert "Traceback" not in done.stderr


def test_linear_algebra_of_a_test_keeps_to_the_threads_it_was_given():
    """It reads their number once, as it is loaded: what sets it must come before."""
    found = {each["num_threads"] for each in threadpool_info() if each["internal_api"] == "openblas"}
    assert found <= {int(os.environ["OPENBLAS_NUM_THREADS"])}
