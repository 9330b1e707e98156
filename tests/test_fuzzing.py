"""Two thousand mutants of every format, each time the same ones: read, or refused in clear words and in time."""

from __future__ import annotations

import shutil

import pytest

import fuzzing
from evenflare.files import InputError
from fuzz_formats import CASES, Case, write_corpus
from fuzz_mutations import BY_ENDING

SEED, COUNT = 20, 2000


@pytest.mark.slow
def test_two_thousand_mutants_are_read_or_refused():
    found = fuzzing.campaign(SEED, COUNT)
    again = [f"{each}\n  again: python tests/fuzzing.py --seed {SEED} --only {each.number}" for each in found]
    assert not found, "\n".join(again)


def test_a_mutant_is_the_same_every_time(tmp_path):
    write_corpus(tmp_path / "corpus")
    first = [fuzzing.made(number, 3, tmp_path / "corpus", tmp_path / f"a{number}") for number in range(20)]
    again = [fuzzing.made(number, 3, tmp_path / "corpus", tmp_path / f"b{number}") for number in range(20)]
    assert first == again
    assert {file.split(".")[-1] for case in CASES.values() for file in case.files} == {end[1:] for end in BY_ENDING}


def hang(folder):
    while True:
        pass


def swallow(folder):
    bytearray(fuzzing.MEMORY + 2**26)


def leak(folder):
    raise InputError(f"{folder.name}: {'x' * 300}")


def unnamed(folder):
    raise InputError("the value is wrong. Correct it")


def crash(folder):
    raise OverflowError("int too large to convert to float")


@pytest.mark.parametrize(
    ("read", "fault"),
    [
        (hang, "takes more than 0.2 s"),
        (swallow, "takes 19"),
        (leak, "quotes too much"),
        (unnamed, "names no file: the value is wrong"),
        (crash, "OverflowError: int too large to convert to float (test_fuzzing.py line"),
        (len, "TypeError: object of type"),
        (str, ""),
    ],
)
def test_what_the_fuzzing_is_there_to_find_is_found(tmp_path, monkeypatch, read, fault):
    monkeypatch.setitem(CASES, "made up", Case("", (), read))
    # How long a busy machine takes to hand out memory is not the question, nor how much is too much.
    monkeypatch.setattr(fuzzing, "MEMORY", 2**27)
    monkeypatch.setattr(fuzzing, "SECONDS", 0.2 if read is hang else 100.0)
    monkeypatch.setattr(fuzzing, "WAITING", 200.0)
    found = fuzzing.fault_of("made up", tmp_path)
    assert found.startswith(fault)
    assert bool(found) == bool(fault)
    shutil.rmtree(tmp_path)
