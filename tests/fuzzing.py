"""Mutated files against every reader: each must be read, or refused in clear words, within bounds of time and memory.

    python tests/fuzzing.py --seed 1 --count 100000          # make fuzz
    python tests/fuzzing.py --seed 1 --only 4711 --keep out  # one of them again, its files left in a folder

A mutant is a function of the seed and its number. They are read in a child process. It counts processor time (5 s) and
waiting (30 s, so that a busy machine is no fault), and how far its resident memory grows above what it took before the
first mutant (1 GiB); its address space may grow by 4 GiB, beyond which the system refuses. Addresses alone are no
measure: threads and compiled code reserve many. A child that dies or falls silent is a fault of the mutant it was at.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from random import Random

SECONDS, WAITING, SILENCE = 5.0, 30.0, 120.0
MEMORY, ADDRESSES = 2**30, 4 * 2**30
LONGEST_LINE = 1500
"""Characters of a message's line without the folder: a value of 200 and lists of what is allowed around it."""
ESCAPED = ("x" * 201, "x " * 101, "9" * 201)
"""Junk that no message may quote so much of."""


@dataclass(frozen=True)
class Found:
    """What became of a mutant that was neither read nor clearly refused."""

    number: int
    case: str
    done: str
    fault: str


class TooLongError(BaseException):
    """The reader takes too long; nothing that it catches itself."""


def _late(number: int, frame: object) -> None:
    raise TooLongError("processor time" if number == signal.SIGPROF else "waiting")


@contextmanager
def bounded() -> Iterator[None]:
    """The block has so much processor time, and so much time at all."""
    signal.signal(signal.SIGPROF, _late)
    signal.signal(signal.SIGALRM, _late)
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.setitimer(signal.ITIMER_REAL, WAITING)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.setitimer(signal.ITIMER_REAL, 0.0)


def resident(*, again: bool = False) -> int:
    """Bytes, the most that this process has held; again : from now on."""
    if again and Path("/proc/self/clear_refs").exists():
        Path("/proc/self/clear_refs").write_text("5")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def made(number: int, seed: int, corpus: Path, folder: Path) -> tuple[str, str]:
    """A mutant's case and what was done to its files, which lie in `folder`."""
    from fuzz_formats import CASES
    from fuzz_mutations import mutate

    random = Random(f"{seed} {number}")
    name = random.choice(list(CASES))
    case = CASES[name]
    file = random.choice(case.files)
    lay_out(corpus / case.folder, folder, changing=file)
    return name, f"{file} {mutate(folder / file, random)}"


def lay_out(source: Path, folder: Path, *, changing: str = "") -> None:
    """A folder of the corpus again. Only what is changed, and databases, which a reader may touch, are files of their
    own: a mutant is one file of a dozen, and copying all takes longer than reading it.
    """
    own = {source / changing}

    def laid(old: str, new: str) -> None:
        if Path(old) in own or old.endswith(".sqlite"):
            shutil.copyfile(old, new)
        else:
            os.link(old, new)

    shutil.copytree(source, folder, copy_function=laid)


def fault_of(case: str, folder: Path) -> str:
    """What is wrong with how a mutant is read; empty if it is read or clearly refused."""
    from evenflare.files import InputError
    from evenflare.text import visible
    from fuzz_formats import CASES

    before = resident(again=True)
    try:
        with bounded():
            CASES[case].read(folder)
    except InputError as error:
        told = str(error)
        known = {path.name for path in folder.rglob("*")} | {folder.name, "/dev/"}
        known |= {Path(file).name for file in CASES[case].files}
        if not any(name in told for name in known):
            return f"names no file: {told[:300]}"
        if visible(told) != told:
            return f"would steer a terminal: {told[:300]!r}"
        if any(junk in told for junk in ESCAPED) or any(
            len(line.replace(str(folder), "")) > LONGEST_LINE for line in told.split("\n")
        ):
            return f"quotes too much: {told[:300]!r}"
    except TooLongError as late:
        return f"takes more than {SECONDS:g} s, or waits more than {WAITING:g} s ({late})"
    except BaseException as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        return f"{type(error).__name__}: {str(error)[:200]} ({Path(where.filename).name} line {where.lineno})"
    if resident() - before > MEMORY:
        return f"takes {(resident() - before) / 2**20:.0f} MiB"
    return ""


def child(seed: int, first: int, last: int, corpus: Path, work: Path) -> None:
    """Read mutants, one after the other. Before each is made its number is printed, then what it is, and any fault."""
    from fuzz_formats import CASES

    warnings.simplefilter("ignore")
    for name, case in CASES.items():  # what is loaded and compiled once counts for none
        folder = work / "warm"
        lay_out(corpus / case.folder, folder)
        fault = fault_of(name, folder)
        assert not fault, f"{name}: {fault}"
        shutil.rmtree(folder)
    in_order = _bytes_of(corpus)
    pages = int(Path("/proc/self/statm").read_text().split()[0]) if Path("/proc/self/statm").exists() else 0
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + ADDRESSES, resource.RLIM_INFINITY))
    for number in range(first, last):
        print(number, flush=True)
        folder = work / f"m{number}"
        case, done = made(number, seed, corpus, folder)
        print(json.dumps(asdict(Found(number, case, done, ""))), flush=True)
        fault = fault_of(case, folder)
        if fault:
            print(json.dumps(asdict(Found(number, case, done, fault))), flush=True)
        shutil.rmtree(folder, ignore_errors=True)
    assert _bytes_of(corpus) == in_order, "a mutant, or its reader, wrote into the files in order"


def _bytes_of(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def in_memory() -> str | None:
    """A folder that no disk stands behind, where there is one with room: a disk takes longer to forget the files of a
    mutant than it takes to read them.
    """
    folder = Path("/dev/shm")
    fit = folder.is_dir() and os.access(folder, os.W_OK) and shutil.disk_usage(folder).free > 2**28
    return str(folder) if fit else None


def campaign(seed: int, count: int, *, first: int = 0, say: object = None) -> list[Found]:
    """What is found among so many mutants."""
    found: list[Found] = []
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir=in_memory()) as name:
        corpus, work = Path(name) / "corpus", Path(name) / "work"
        work.mkdir()
        from fuzz_formats import write_corpus

        write_corpus(corpus)
        at, last = first, first + count
        while at < last:
            reached, made_last = at - 1, Found(at - 1, "", "", "")
            words = [sys.executable, __file__, "--child", str(at), str(last), "--seed", str(seed), "--in", name]
            with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
                timer = signal.signal(signal.SIGALRM, lambda *_: process.kill())
                assert process.stdout is not None
                for line in process.stdout:
                    signal.alarm(int(SILENCE))
                    if line.startswith("{"):
                        made_last = Found(**json.loads(line))
                        if made_last.fault:
                            found.append(made_last)
                            if say:
                                print(made_last, flush=True)
                    else:
                        reached = int(line)
                        if say and reached % 1000 == 0:
                            print(f"{reached} mutants, {len(found)} at fault", flush=True)
                signal.alarm(0)
                signal.signal(signal.SIGALRM, timer)
            if process.returncode == 0:
                break
            if reached < at:
                raise RuntimeError(f"the files in order are not read (exit code {process.returncode})")
            if made_last.number != reached:
                raise RuntimeError(f"mutant {reached} of seed {seed} cannot be made (exit code {process.returncode})")
            found.append(replace(made_last, fault=f"ends the process ({process.returncode})"))
            if say:
                print(found[-1], flush=True)
            shutil.rmtree(work)
            work.mkdir()
            at = reached + 1
    return found


def kept(number: int, seed: int, folder: Path) -> Found:
    """One mutant again, its files left in `folder`; what is at fault with it."""
    from fuzz_formats import write_corpus

    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        write_corpus(Path(name) / "corpus")
        made(number, seed, Path(name) / "corpus", folder)
        case, done = made(number, seed, Path(name) / "corpus", Path(name) / "read")
        return Found(number, case, done, fault_of(case, Path(name) / "read"))


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--count", type=int, default=2000)
    options.add_argument("--first", type=int, default=0)
    options.add_argument("--only", type=int, help="one mutant")
    options.add_argument("--keep", type=Path, default=Path("fuzz-found"), help="folder for the files of what is found")
    options.add_argument("--child", type=int, nargs=2, help=argparse.SUPPRESS)
    options.add_argument("--in", dest="inside", type=Path, help=argparse.SUPPRESS)
    asked = options.parse_args()
    if asked.child:
        child(asked.seed, *asked.child, asked.inside / "corpus", asked.inside / "work")
        return 0
    if asked.only is not None:
        found = [kept(asked.only, asked.seed, asked.keep)]
    else:
        found = campaign(asked.seed, asked.count, first=asked.first, say=True)
        for each in found:
            with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
                from fuzz_formats import write_corpus

                write_corpus(Path(name) / "corpus")
                made(each.number, asked.seed, Path(name) / "corpus", asked.keep / f"{asked.seed}-{each.number}")
    for each in found:
        print(f"seed {asked.seed}, mutant {each.number}, {each.case}: {each.done}: {each.fault or 'in order'}")
        print(f"  again: python tests/fuzzing.py --seed {asked.seed} --only {each.number} --keep FOLDER")
    return 1 if any(each.fault for each in found) else 0


if __name__ == "__main__":
    sys.exit(main())
