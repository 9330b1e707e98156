"""The command line: words for the library's calls, exit codes, progress on standard error, data on standard output."""

from __future__ import annotations

import argparse
import errno
import os
import select
import shlex
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, NoReturn

from evenflare import __version__
from evenflare.files import DISK_FULL, InputError, check_folder
from evenflare.options import INPUT_AT_FAULT, parsed

if TYPE_CHECKING:
    from evenflare.search import Progress, SearchResult

DONE, ANSWER_IS_NO, OWN_FAULT, INTERRUPTED = 0, 1, 3, 130
NO_ROOM = DISK_FULL | {errno.EFBIG, errno.EROFS, errno.EIO}
"""Errors of the system that a disk causes, wherever they come up."""


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Entry point of the command `evenflare`."""
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Carry out a command line; the exit code. No traceback reaches a user."""
    options = parsed(arguments)
    options.words = shlex.join(["evenflare", *(sys.argv[1:] if arguments is None else arguments)])
    try:
        with _terminable():
            code = COMMANDS[options.command](options)
            print(end="", flush=True)
        return code
    except InputError as error:
        print(error, file=sys.stderr)
        return INPUT_AT_FAULT
    except KeyboardInterrupt:
        print("interrupted; what was finished is kept", file=sys.stderr)
        return INTERRUPTED
    except Exception as error:
        if isinstance(error, BrokenPipeError) and _reader_gone():
            _drop_output()  # its reader has seen enough
            return DONE
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            _drop_output()
            why = "the disk is full" if error.errno in DISK_FULL else error.strerror
            print(f"cannot write: {why}. Free some disk space, then run it again", file=sys.stderr)
            return INPUT_AT_FAULT
        print(f"evenflare failed, and it is our fault ({error}). {_details(options.words)}", file=sys.stderr)
        return OWN_FAULT


@contextmanager
def _terminable() -> Iterator[None]:
    """A request to end, as the system sends it at shutdown, is taken as Ctrl-C."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may hear signals
        return
    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _reader_gone() -> bool:
    """Whether nobody reads standard output or standard error any more: other pipes break for other reasons."""
    poll = select.poll()
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            poll.register(stream.fileno(), 0)
    return any(event & select.POLLERR for _, event in poll.poll(0))


def _drop_output() -> None:
    """What is left of standard output goes nowhere, so that the interpreter does not stumble over it at exit."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _details(words: str) -> str:
    """Write down the fault being handled; where."""
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="evenflare-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as details:
            details.write(f"{words}\nevenflare {__version__}\n{traceback.format_exc()}")
    except OSError as error:
        return f"The details could not be written ({error.strerror})"
    return f"Details: {details.name}"


@contextmanager
def _slow(quiet: bool, words: str) -> Iterator[None]:
    """Says what takes long, if it takes more than five seconds."""
    timer = threading.Timer(5.0, lambda: print(words, file=sys.stderr))
    timer.daemon = True
    if not quiet:
        timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _compiled(quiet: bool) -> None:
    """The solver's compiled parts, from the cache or made now, before anything is timed or shared out."""
    with _slow(quiet, "Compiling the solver for this machine: once, up to a minute"):
        from evenflare.radiation import boundary_elements, march

        march.warm_up()
        boundary_elements.warm_up()


def _list(written: Sequence[tuple[str, str]], folder: Path) -> None:
    width = max(len(name) for name, _ in written)
    print(f"Written in {folder}:")
    for name, use in written:
        print(f"  {name:{width}}  {use}")


def _remark(options: argparse.Namespace, *, made: bool) -> str:
    """Say what there is to say about a design before it is worked with; what became of its corners."""
    from evenflare import remarks
    from evenflare.design import read_design

    waveguide = read_design(options.design).waveguide
    _warn(remarks.warnings(options.design, waveguide))
    for note in () if options.quiet else remarks.notes(options.design, waveguide, made=made):
        print(f"note: {note}", file=sys.stderr)
    return remarks.corners_kept(waveguide)


def _warn(found: Iterable[str]) -> None:
    for warning in found:
        print(f"warning: {warning}", file=sys.stderr)


def _solve(options: argparse.Namespace) -> int:
    from evenflare import commands, solving

    check_folder(options.out)
    corners = _remark(options, made=False)
    _warn(solving.method_warnings(options.design, options.method))
    _compiled(options.quiet)
    memory = solving.memory_line(options.design, options.setting)
    if memory and not options.quiet:
        print(memory, file=sys.stderr)
    solution = commands.solve_command(options.design, options.out, options.setting, options.method, options.words)
    sound = solution.sound
    if corners:
        print(corners)
    print(f"Directivity index: {commands.index_line(sound.directivity)}")
    for line in solving.found_lines(sound):
        print(line)
    _list(solution.written, options.out)
    _warn(sound.warnings)
    return DONE


def _score(options: argparse.Namespace) -> int:
    from evenflare import scoring

    _compiled(options.quiet)
    judged = scoring.score_command(options.design, options.target)
    found = judged.score
    for note in judged.notes:
        print(f"note: {note}", file=sys.stderr)
    if options.json:
        print(scoring.score_json(judged))
    else:
        print(f"score {found.value:.4f} dB (weighted rms deviation; 0 is the target itself)")
        for name, value in found.terms.items():
            print(f"  {name:36} {value:9.4f}")
        print("limits (at or below 0: kept), and where the wall comes nearest to them")
        for name, value in found.constraints.items():
            where = scoring.place_words(judged.places[name])
            print(f"  {name:36} {value:9.4f}  {where}{'  BROKEN' if value > 0 else ''}")
    return DONE if found.feasible else ANSWER_IS_NO


def _export(options: argparse.Namespace) -> int:
    from evenflare import commands
    from evenflare.units import MILLIMETRE

    sections = None if options.sections_mm is None else [z * MILLIMETRE for z in options.sections_mm]
    cut = commands.checked_cut(options.chord_error_mm * MILLIMETRE, options.tool_radius_mm * MILLIMETRE, sections)
    check_folder(options.out)
    corners = _remark(options, made=True)
    written = commands.export_command(options.design, options.out, cut, options.words)
    if corners:
        print(corners)
    _list(written, options.out)
    return DONE


def _history(options: argparse.Namespace) -> int:
    from evenflare import commands

    for line in commands.history_lines(options.run_folder):
        print(line)
    return DONE


def _check(options: argparse.Namespace) -> int:
    from evenflare.check import checks

    _compiled(options.quiet)
    passed = True
    for check in checks():
        print(f"{'ok  ' if check.passed else 'FAIL'}  {check.name}: {check.found}", flush=True)
        passed &= check.passed
    return DONE if passed else ANSWER_IS_NO


class _Ticker:
    """Progress of a search on standard error: one line that is rewritten on a terminal, now and then elsewhere."""

    def __init__(self, quiet: bool) -> None:
        self.quiet = quiet
        self.terminal = sys.stderr.isatty()
        self.last = 0.0
        self.stage = ""

    def __call__(self, progress: Progress) -> None:
        now = time.monotonic()
        due = now - self.last > (0.2 if self.terminal else 10.0) or progress.stage != self.stage
        if self.quiet or not due:
            return
        self.last, self.stage = now, progress.stage
        best = "none yet" if progress.best is None else f"{progress.best:.3f} dB"
        left = "" if progress.time_left is None else f", {_duration(progress.time_left)} left"
        rate = f"{progress.rate:.0f}" if progress.rate >= 9.5 else f"{progress.rate:.2g}"
        words = (
            f"{progress.done}/{progress.total} {progress.stage}: best {best}, {rate} candidates/s{left}"
            f"{_staged(progress)}"
        )
        print(f"\r\033[K{words}" if self.terminal else words, end="" if self.terminal else "\n", file=sys.stderr)
        sys.stderr.flush()

    def say(self, words: str) -> None:
        """A line of its own."""
        if not self.quiet:
            print(f"\r\033[K{words}" if self.terminal else words, file=sys.stderr, flush=True)


def _staged(progress: Progress) -> str:
    """Where an estimate decides who is judged further: how many were, and whether it can be relied on."""
    if progress.agreement is None:
        return ""
    tau = progress.agreement.tau
    counts = ", ".join(f"{count} at {setting}" for setting, count in progress.judged.items())
    return f"; {counts}; estimates {'not compared yet' if tau is None else f'agree {tau:.2f} with screen'}"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s" if minutes else f"{rest} s"


def _search(options: argparse.Namespace) -> int:
    from evenflare import commands, solving
    from evenflare.reach import reach_statement, reachability

    ticker = _Ticker(options.quiet)
    asked = {name: getattr(options, name) for name in ("workers", "scheduler", "candidates", "minutes", "seed")}
    target = commands.checked_search(options.target, options.out, **asked)
    _warn(reachability(target))
    ticker.say(reach_statement(target))
    _compiled(options.quiet)
    result, solution = commands.search_command(
        options.target,
        options.out,
        command=options.words,
        progress=ticker,
        stage=ticker.say,
        **asked,
    )
    for note in result.plan.notes:
        ticker.say(f"note: {note}")
    _tell(result)
    if solution is not None:
        for line in solving.agreement_lines(solution.sound):
            print(line)
        _list(solution.written, options.out)
        _warn(solution.sound.warnings)
    if result.stopped_by == "interrupted":
        print("interrupted; the same command on the same folder continues", file=sys.stderr)
        return INTERRUPTED
    return DONE if result.feasible else ANSWER_IS_NO


def _tell(result: SearchResult) -> None:
    from evenflare.search import ranking_words

    print(f"{result.asked} candidates asked for, {result.scored} solved, {result.full} of them at full")
    if result.best is None:
        so_far = "" if result.stopped_by == "candidates" else " so far"
        why = f": {result.why}" if result.why else ""
        print(f"No candidate keeps the limits{so_far}{why}")
        if not so_far:
            print("Widen [limits], or ask for more candidates")
        return
    best = result.best
    print(f"Best: {best.family}, score {best.score.value:.3f} dB at {best.setting}")
    if ranked := ranking_words(best.waveguide.mounting):
        print(f"{ranked[0].upper()}{ranked[1:]}")
    if result.gain is not None:
        print(f"That is {result.gain:.3f} dB better than the best published family")
    for agreement in result.agreements:
        if agreement.words:
            print(f"{agreement.words[0].upper()}{agreement.words[1:]}")


COMMANDS = {
    "search": _search,
    "history": _history,
    "solve": _solve,
    "score": _score,
    "export": _export,
    "check": _check,
}
"""What each does; the exit code."""
