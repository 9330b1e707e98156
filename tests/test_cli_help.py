"""Help, options and slips in them, as a user meets them."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

import pytest

from commandline import asked
from evenflare import __version__
from evenflare.cli.options import parser

pytestmark = pytest.mark.usefixtures("compiled")

COMMANDS = ("search", "history", "solve", "score", "export", "check")


def test_help_names_every_command_with_an_example_and_the_exit_codes(capsys):
    code, out, err = asked(capsys, "--help")
    assert (code, err) == (0, "")
    assert all(f"evenflare {command}" in out for command in COMMANDS)
    for number in (0, 1, 2, 3, 130):
        assert f"{number} " in out.partition("exit codes:")[2]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_has_examples_that_parse(capsys, command):
    code, out, err = asked(capsys, f"{command} --help")
    assert (code, err) == (0, "")
    assert "--quiet" in out
    examples = [line for line in out.splitlines() if line.startswith("example: ")]
    assert examples
    for example in examples:
        words = shlex.split(example.removeprefix("example: evenflare ").partition(" > ")[0])
        assert parser().parse_args(words).command == command == words[0]


def test_options_are_documented():
    for action in parser()._subparsers._group_actions[0].choices.values():  # type: ignore[union-attr,attr-defined]
        assert isinstance(action, argparse.ArgumentParser)
        assert all(option.help for option in action._actions)


def test_targets_in_the_examples_are_bundled(capsys):
    _, out, _ = asked(capsys, "--help")
    named = {word for word in out.split() if word.startswith("targets/")}
    assert named
    assert all((Path(__file__).parent.parent / name).is_file() for name in named)


def test_version_is_told(capsys):
    assert asked(capsys, "--version") == (0, f"evenflare {__version__}\n", "")


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("", "evenflare: the following arguments are required: COMMAND. See evenflare --help\n"),
        ("solve a.toml", "evenflare solve: the following arguments are required: --out. See evenflare solve --help\n"),
        ("solve a.toml --out b --setting finest", "evenflare solve: argument --setting: invalid choice: 'finest'"),
        ("solve '' --out b", "evenflare solve: argument design: is empty: must name a file or folder, as in results."),
        ("solve a.toml --out ''", "evenflare solve: argument --out: is empty: must name a file or folder"),
        ("search a.toml --out ' '", "evenflare search: argument --out: is empty: must name a file or folder"),
        ("history ''", "evenflare history: argument RUN: is empty: must name a file or folder"),
        ("search a.toml --out b --seed one", "evenflare search: argument --seed: invalid int value: 'one'"),
        ("history a --fast", "evenflare history: unrecognized arguments: --fast. See evenflare history --help\n"),
    ],
)
def test_wrong_options_are_told_in_one_line(capsys, line, message):
    code, out, err = asked(capsys, line)
    assert (code, out) == (2, "")
    assert err.startswith(message)
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("serach a.toml", "Did you mean search? See evenflare --help\n"),
        ("solve a.toml --out b --setting ful", "Did you mean full? See evenflare solve --help\n"),
        ("search a.toml --out b --candidate 30", "Did you mean --candidates? See evenflare search --help\n"),
        ("search a.toml --out b --worker=1", "Did you mean --workers? See evenflare search --help\n"),
        ("search a.toml --out b --cand 30", "unrecognized arguments: --cand 30. "),  # no abbreviations
    ],
)
def test_a_slip_in_a_word_is_answered_with_the_nearest(capsys, line, hint):
    code, out, err = asked(capsys, line)
    assert (code, out) == (2, "")
    assert hint in err
    assert err.count("\n") == 1


def test_help_of_solve_says_how_exact_each_setting_is(capsys):
    _, out, _ = asked(capsys, "solve --help")
    words = " ".join(out.split())
    assert "full (index typically within 0.02 dB, up to 0.1 near a dip on axis)" in words
    assert "screen (typically 0.1 dB, up to 1 dB at the top)" in words
    assert "estimate (2 to 5 dB rms above a few kHz, a first look)" in words
