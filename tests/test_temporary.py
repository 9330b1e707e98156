"""What processes leave that are killed while they write, and that nothing of a living one is ever taken for it."""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from evenflare import temporary
from evenflare.files import bench, together, write_text
from evenflare.temporary import START, folder_in

WRITING = """
import os, signal, sys
from pathlib import Path
from evenflare.files import bench, replacing, together, write_text
def killed():
    os.kill(os.getpid(), signal.SIGKILL)
folder = Path(sys.argv[1])
"""
IN_ONE = (
    WRITING
    + """
with replacing(folder / "best.toml") as path:
    path.write_text("half of it")
    killed()
"""
)
IN_SEVERAL = (
    WRITING
    + """
with together():
    for name in ("one", "two", "in/three"):
        write_text(folder / name, "new")
    killed()
"""
)
IN_BENCH = (
    WRITING
    + """
with bench() as path:
    (path / "finishing.nc").write_text("G0")
    killed()
"""
)
WAITING = (
    WRITING
    + """
with replacing(folder / "best.toml") as path:
    path.write_text("whole")
    print("ready", flush=True)
    sys.stdin.read()
"""
)
BUSY = (
    WRITING
    + """
from evenflare.temporary import _sweep
for number in range(150):
    write_text(folder / f"{number}.csv", "whole")
    _sweep.cache_clear()
"""
)


def process(code: str, folder: Path, **others) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.Popen([sys.executable, "-c", code, str(folder)], text=True, env=environment, **others)


def killed(code: str, folder: Path, **others) -> None:
    assert process(code, folder, **others).wait(60) == -signal.SIGKILL


def left(folder: Path) -> list[Path]:
    return sorted(folder.rglob(f"{START}*"))


@pytest.fixture(autouse=True)
def new_process():
    """As if this were the first write of a process: it is then that leftovers are looked for."""
    temporary._sweep.cache_clear()


@pytest.mark.parametrize("code", [IN_ONE, IN_SEVERAL], ids=["replacing", "together"])
def test_the_next_write_removes_what_a_killed_process_left_and_no_file_was_harmed(code, tmp_path):
    for name in ("best.toml", "one"):
        (tmp_path / name).write_text("old")
    killed(code, tmp_path)
    assert left(tmp_path), "it was killed in the middle"
    assert (tmp_path / "best.toml").read_text() == (tmp_path / "one").read_text() == "old"
    (tmp_path / "in").mkdir(exist_ok=True)
    for name in ("best.toml", "in/three"):
        write_text(tmp_path / name, "new")
    assert left(tmp_path) == []
    assert sorted(each.name for each in tmp_path.iterdir()) == ["best.toml", "in", "one"]


def test_the_next_bench_removes_what_a_killed_proof_left(tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    killed(IN_BENCH, tmp_path)
    assert len(left(tmp_path)) == 1
    with bench() as made:
        assert left(tmp_path) == [made]
    assert left(tmp_path) == []


def test_what_a_living_process_writes_is_left_alone(tmp_path):
    other = process(WAITING, tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "ready\n"
        (theirs,) = left(tmp_path)
        write_text(tmp_path / "mine.csv", "new")
        assert left(tmp_path) == [theirs]
        other.communicate("", timeout=60)
    finally:
        other.kill()
    assert other.returncode == 0
    assert (tmp_path / "best.toml").read_text() == "whole"
    assert left(tmp_path) == []


def test_many_that_write_and_clear_up_at_once_do_not_disturb_each_other(tmp_path):
    others = [process(BUSY, tmp_path) for _ in range(3)]
    assert [other.wait(120) for other in others] == [0, 0, 0]
    assert {path.name for path in tmp_path.iterdir()} == {f"{number}.csv" for number in range(150)}
    assert {path.read_text() for path in tmp_path.iterdir()} == {"whole"}


def test_what_another_machine_left_stays_since_its_locks_need_not_reach_here(tmp_path, monkeypatch):
    theirs = tmp_path / f"{START}0badcafe-xyz"
    theirs.mkdir()
    (theirs / ".lock").touch()
    write_text(tmp_path / "a.csv", "new")
    assert left(tmp_path) == [theirs]


def test_only_our_own_folders_are_removed(tmp_path):
    word = f"{START}{temporary._machine()}-"
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious" / "file").write_text("kept")
    (tmp_path / f"{word}link").symlink_to(tmp_path / "precious")
    (tmp_path / f"{START}notes").mkdir()
    (tmp_path / f"{word}file").write_text("no folder")
    (tmp_path / f"{word}unlocked").mkdir()
    write_text(tmp_path / "a.csv", "new")
    assert [path.name.removeprefix(word) for path in left(tmp_path)] == ["file", "link", f"{START}notes"]
    assert (tmp_path / "precious" / "file").read_text() == "kept"


def test_where_there_are_no_locks_files_are_written_and_nothing_is_removed(tmp_path, monkeypatch):
    killed(IN_ONE, tmp_path)
    before = left(tmp_path)

    def unknown(*_):
        raise OSError(errno.ENOTSUP, os.strerror(errno.ENOTSUP))

    monkeypatch.setattr(fcntl, "flock", unknown)
    write_text(tmp_path / "a.csv", "new")
    assert (tmp_path / "a.csv").read_text() == "new"
    assert left(tmp_path) == before


def test_a_folder_taken_for_a_dead_one_before_it_is_locked_is_made_again(tmp_path, monkeypatch):
    made, mkdtemp = [], tempfile.mkdtemp

    def taken(*words, **others):
        made.append(mkdtemp(*words, **others))
        if len(made) < 3:
            os.rmdir(made[-1])
        return made[-1]

    monkeypatch.setattr(tempfile, "mkdtemp", taken)
    with folder_in(tmp_path) as found:
        assert str(found) == made[2]


def test_files_that_wait_together_share_a_folder_and_may_be_written_twice(tmp_path):
    with together():
        for number in range(300):  # each with a lock of its own would be more than some systems let a process open
            write_text(tmp_path / f"{number}.csv", "first")
        write_text(tmp_path / "7.csv", "second")
        assert len(list(tmp_path.iterdir())) == 1
    assert (tmp_path / "7.csv").read_text() == "second"
    assert len(list(tmp_path.iterdir())) == 300
