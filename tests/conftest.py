"""Makes the modules beside this one importable by name, and holds the fixtures that several files share."""

import atexit
import gc
import os
import shutil
import sys
import tempfile
import traceback
from functools import cache
from pathlib import Path

# Before numpy comes in. The run has a process for each core already: threads of linear algebra would wait for one
# another on cores that others keep busy, at fifteen times the processor time for a session of readings.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))

from commandline import DESIGN, TARGET, paint_dots
from evenflare.cli import telling
from evenflare.commands import designs, searching, solving
from evenflare.design.file import read_design
from evenflare.files import InputError
from evenflare.target.target import Target, read_target

# The same examples in every run, so that a change fails for what it changes; `make properties` looks for new ones.
# How long one takes says more of the machine than of the product.
settings.register_profile("fixed", derandomize=True, deadline=None)
settings.register_profile("random", derandomize=False, deadline=None)
settings.load_profile(os.environ.get("PROPERTIES", "fixed"))

# Solved cabinets of the tests stay away from the user's, and none outlives the run: it would hide what changed since.
# One folder for all of one run's processes, which inherit it.
if "EVENFLARE_CACHE" not in os.environ:
    os.environ["EVENFLARE_CACHE"] = tempfile.mkdtemp(prefix="evenflare-tests-")
    atexit.register(shutil.rmtree, os.environ["EVENFLARE_CACHE"], ignore_errors=True)


REFERENCE = "bempp_cl"
"""The library of boundary elements that tests compare with."""


def pytest_collection_modifyitems(items):
    """Files with slow tests come first: the short ones fill up both processes to the end."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """What is loaded and collected stays to the end: looking through it for garbage again and again takes half of the
    time that collecting does, and a twentieth of what the tests do. What these leave is looked through more seldom.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.set_threshold(20_000, 20, 20)
        gc.enable()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_setupnodes():
    """Compiled before there are processes that would all compile the same at once."""
    telling.compiled(quiet=True)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """A file stays in one process, and those that solve by the reference library in the same one: it compiles itself
    in each process anew, which takes half a minute.
    """
    from xdist.scheduler import LoadFileScheduling

    @cache
    def group(file):
        return REFERENCE if REFERENCE in (config.rootpath / file).read_text(encoding="utf-8") else file

    class Scheduling(LoadFileScheduling):
        def _split_scope(self, nodeid):
            return group(super()._split_scope(nodeid))

    return Scheduling(config, log) if config.getvalue("dist") == "loadfile" else None


@pytest.fixture(scope="session", autouse=True)
def _without_waiting_for_the_disk():
    """No test switches the power off, and the disk takes longer than what many a file takes to be made."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(os, "fsync", lambda _: None)
        yield


@pytest.fixture(scope="session")
def compiled():
    """The compiled parts are in their cache: no test meets them being made."""
    telling.compiled(quiet=True)


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty folder to work in, with a design and a target that are in order."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "design.toml").write_text(DESIGN)
    (tmp_path / "target.toml").write_text(TARGET)
    return tmp_path


@pytest.fixture
def tables_alone(monkeypatch):
    """No pictures and comparisons: they take most of the time, and other tests look at them."""
    monkeypatch.setattr(solving, "_compared", lambda sound, *_: sound)
    for module in (designs, searching):
        monkeypatch.setattr(module, "solution_pictures", lambda *_, **__: {})


@pytest.fixture
def plain(tables_alone, monkeypatch):
    """No tables and pages either."""
    for module in (designs, searching):
        monkeypatch.setattr(module, "write_solution", lambda *_, **__: [])
    for module in (designs, searching):
        monkeypatch.setattr(module, "write_report", lambda *_, **__: None)


@pytest.fixture
def unpainted(monkeypatch):
    """Figures are made but not painted, which takes most of a page's time: where words are looked at each is a dot."""
    paint_dots(monkeypatch)


@pytest.fixture
def target_of(tmp_path, monkeypatch):
    """The target that a file of that text holds."""
    monkeypatch.chdir(tmp_path)

    def reader(text) -> Target:
        (tmp_path / "t.toml").write_text(text, encoding="utf-8")
        return read_target("t.toml")

    return reader


@pytest.fixture
def read(tmp_path):
    """The design that a file of that text holds, with CSV files of those names and texts beside it."""

    def reader(text, **files):
        for name, content in files.items():
            (tmp_path / f"{name}.csv").write_text(content, encoding="utf-8")
        path = tmp_path / "design.toml"
        path.write_text(text, encoding="utf-8")
        return read_design(path)

    return reader


@pytest.fixture
def design_message(tmp_path, monkeypatch):
    """The message that a design file of that text meets."""
    monkeypatch.chdir(tmp_path)

    def reader(text, **files):
        (tmp_path / "d.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
        for name, content in files.items():
            (tmp_path / f"{name}.csv").write_text(content, encoding="utf-8")
        with pytest.raises(InputError) as caught:
            read_design("d.toml")
        found = str(caught.value)
        for leak in ("pydantic", "Traceback", "validation error", "type=", "input_value", "NoneType", "__"):
            assert leak not in found
        assert "ValidationError" not in "".join(traceback.format_exception(caught.value))
        return found

    return reader
