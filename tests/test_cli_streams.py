"""Standard streams as a shell may leave them, and words that are no text: told, without traceback or exit code 1."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from commandline import ENVIRONMENT, SCRIPT, said
from evenflare.commands import searching

PLAN = "plan --source-height-m 3 --microphone-height-m 3 --distance-m 2 --mouth-mm 240"
"""Soon done, with a warning among its messages and a checklist on standard output."""
REFUSED = f"{PLAN} --step-deg 7"
"""Ends at once with exit code 2 and one line."""


def shell(line: str, **others) -> tuple[int, str, str]:
    """Exit code and streams of a line of the shell, in which evenflare is the command."""
    done = subprocess.run(
        ["bash", "-c", f'evenflare() {{ "{SCRIPT}" "$@"; }}; {line}'],
        capture_output=True,
        text=True,
        timeout=120,
        env=ENVIRONMENT,
        check=False,
        **others,
    )
    assert "Traceback" not in done.stdout + done.stderr
    assert "Exception ignored" not in done.stderr
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize("closing", ["2>&-", "0<&- 2>&-"])
def test_closed_standard_error_keeps_the_exit_code_and_leaves_standard_output_to_data(here, closing):
    assert shell(f"evenflare {REFUSED} {closing}") == (2, "", "")
    code, out, _ = shell(f"evenflare {PLAN} {closing}")
    assert code == 0
    assert "Checklist:" in out


@pytest.mark.parametrize("command", [REFUSED, "--help", "check"])
def test_closed_standard_output_is_told_before_any_work(here, command):
    code, out, err = shell(f"evenflare {command} >&-")
    assert (code, out) == (2, "")
    assert err == "standard output is closed: nothing can be printed. Send it somewhere, as with > /dev/null\n"


def test_with_both_closed_the_exit_code_still_tells(here):
    assert shell(f"evenflare {REFUSED} >&- 2>&-") == (2, "", "")
    assert shell("evenflare check >&- 2>&-") == (2, "", "")


@pytest.mark.parametrize("closing", ["2>&-", "0<&- 2>&-"])
def test_a_file_does_not_take_the_place_of_a_closed_stream(here, closing):
    # Opened as number 2, it would have messages written into it.
    words = "from evenflare.cli import streams; streams.prepare(); print(open('design.toml').fileno())"
    code, out, _ = shell(f'"{sys.executable}" -c "{words}" {closing}')
    assert code == 0
    assert int(out) > 2


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="writes to a device that is always full")
def test_help_onto_a_full_disk_is_the_surroundings_fault(here):
    code, _, err = shell("evenflare --help > /dev/full")
    assert (code, err) == (2, "cannot write: the disk is full. Free some disk space, then run it again\n")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="writes to a device that is always full")
def test_messages_that_cannot_be_written_do_not_end_the_work(here):
    code, out, _ = shell(f"evenflare {PLAN} 2> /dev/full")
    assert code == 0
    assert "Checklist:" in out


def test_a_reader_of_messages_that_goes_does_not_end_the_work(here):
    code, out, _ = shell(f"{{ evenflare {PLAN}; echo $? >&3; }} 3> code 2>&1 >out | true")
    assert (code, out) == (0, "")
    assert (here / "code").read_text() == "0\n"
    assert "Checklist:" in (here / "out").read_text()


@pytest.mark.parametrize(
    "words", ["solve 'caf\\351.toml' --out o", "journal j add --design design.toml --note 'a\\351'"]
)
def test_a_path_or_text_that_is_not_utf8_is_the_inputs_fault(here, words):
    (here / os.fsdecode(b"caf\xe9.toml")).write_text((here / "design.toml").read_text())
    code, out, err = shell(f'eval "evenflare $(printf "{words}")"')
    assert (code, out) == (2, "")
    assert "\\udce9" in err
    assert "is not UTF-8. Rename the file or folder, or write the text in UTF-8" in err


def test_a_folder_above_that_is_not_utf8_is_none_of_our_business(here):
    folder = here / os.fsdecode(b"d\xe9")
    folder.mkdir()
    (folder / "design.toml").write_text((here / "design.toml").read_text())
    assert shell("evenflare journal j.sqlite add --design design.toml", cwd=folder)[0] == 0
    assert shell("evenflare journal j.sqlite list", cwd=folder)[0] == 0


def test_own_fault_whose_words_are_no_text_still_ends_with_three(capsys, here, monkeypatch):
    def broken(*_):
        raise RuntimeError("a\udce9\x1b[2J" + "x" * 500)

    monkeypatch.setattr(searching, "history_lines", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(here))
    code, out, err = said(capsys, "history run")
    assert (code, out) == (3, "")
    assert err.startswith("internal error (a\\udce9\\x1b[2Jxxx")
    assert "x" * 200 not in err
    assert "RuntimeError: a\\udce9" in Path(err.strip().rpartition("Details: ")[2]).read_text()


@pytest.mark.parametrize("words", ["x" * 500, "solve --out o d.toml --setting " + "x" * 500, "check --" + "x" * 500])
def test_a_long_word_on_the_command_line_is_quoted_in_part(here, words):
    code, out, err = shell(f"evenflare {words}")
    assert (code, out) == (2, "")
    assert "x" * 190 in err
    assert "x" * 201 not in err


def test_what_a_file_is_named_does_not_steer_the_terminal(here):
    code, _, err = shell("evenflare solve $'nowhere\\e[2J\\r.toml' --out o")
    assert code == 2
    assert err.startswith("nowhere\\x1b[2J\\x0d.toml: cannot be read (No such file or directory)")
