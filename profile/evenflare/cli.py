"""The command line: words for the library's calls, exit codes, progress on standard error, data on standard output."""

from __future__ import annotations

import argparse
import errno
import os
import shlex
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from evenflare import __version__
from evenflare.files import InputError

if TYPE_CHECKING:
    from evenflare.search import Progress, SearchResult

DONE, ANSWER_IS_NO, INPUT_AT_FAULT, OWN_FAULT, INTERRUPTED = 0, 1, 2, 3, 130
NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO})
"""Errors of the system that a disk causes, wherever they come up."""

ABOUT = """\
From a directivity target to a searched waveguide, its mesh and its machining points.

commands, each with an example (COMMAND --help says more):
  search    evenflare search targets/shelf.toml --out runs/shelf
  history   evenflare history runs/shelf > candidates.csv
  solve     evenflare solve runs/shelf/best.toml --out solved
  score     evenflare score runs/shelf/best.toml --target targets/shelf.toml
  export    evenflare export runs/shelf/best.toml --out to_cut --tool-radius-mm 3
  check     evenflare check

exit codes: 0 done; 1 done, and the answer is no (no feasible design, a limit broken, a failed check);
2 the input or the surroundings are at fault; 3 our own fault; 130 interrupted, finished work kept."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        self.exit(INPUT_AT_FAULT, f"{self.prog}: {message}. See {self.prog} --help\n")


def parser() -> argparse.ArgumentParser:
    """The commands and their options."""
    raw = argparse.RawDescriptionHelpFormatter
    top = _Parser(prog="evenflare", description=ABOUT, formatter_class=raw)
    top.add_argument("--version", action="version", version=f"evenflare {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=_Parser)

    def command(name: str, does: str, run: Callable[[argparse.Namespace], int], more: str) -> argparse.ArgumentParser:
        added = commands.add_parser(name, help=does, description=f"{does}.", epilog=more, formatter_class=raw)
        added.add_argument("--quiet", action="store_true", help="no progress on standard error")
        added.set_defaults(run=run)
        return added

    search = command(
        "search",
        "Search the shapes that a target allows; the same command on the same folder continues a run that stopped",
        _search,
        "example: evenflare search targets/shelf.toml --out runs/shelf --candidates 3000\n\n"
        "writes into the folder: best.toml, best/ (as solve and export), report.html, candidates.sqlite.\n"
        "Ctrl-C keeps the best so far. A changed target, seed or number of candidates needs a new folder.",
    )
    search.add_argument("target", type=Path, help="target file (TOML)")
    search.add_argument("--out", type=Path, required=True, help="folder of the run, made if missing")
    search.add_argument("--candidates", type=int, help="shapes to ask for, instead of the target's")
    search.add_argument("--minutes", type=float, help="stop asking for new shapes after this time")
    search.add_argument("--seed", type=int, help="instead of the target's; the same seed asks for the same shapes")
    search.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes (default: all cores)")

    history = command(
        "history",
        "Print every scored candidate of a search as CSV on standard output",
        _history,
        "example: evenflare history runs/shelf > candidates.csv\n\n"
        "A row per number (the order asked for) and stage. Works while the search runs.",
    )
    history.add_argument("run_folder", type=Path, metavar="RUN", help="the folder given to search --out")

    solve = command(
        "solve",
        "Solve the radiation of one design",
        _solve,
        "example: evenflare solve runs/shelf/best.toml --out solved --setting full\n\n"
        "writes directivity.csv, summary.csv, standard_curves.csv, provenance.json and pictures.\n"
        "settings: full (index within about 0.02 dB), screen (about 0.2 dB), estimate (a first look: one mode up to\n"
        "the roundover, several dB off at high frequency).\n\n" + _DESIGN_KEYS,
    )
    solve.add_argument("design", type=Path, help="design file (TOML)")
    solve.add_argument("--out", type=Path, required=True, help="folder for the results, made if missing")
    solve.add_argument("--method", choices=["march"], default="march", help="the solver (default march)")
    solve.add_argument("--setting", choices=["estimate", "screen", "full"], default="full", help="default full")

    score = command(
        "score",
        "Score a design against a target: weighted rms deviation in dB, its terms, and the limits",
        _score,
        "example: evenflare score runs/shelf/best.toml --target targets/shelf.toml --json\n\n"
        "Exit code 1 if a limit is broken.",
    )
    score.add_argument("design", type=Path, help="design file (TOML)")
    score.add_argument("--target", type=Path, required=True, help="target file (TOML)")
    score.add_argument("--json", action="store_true", help="one JSON object instead of words")

    export = command(
        "export",
        "Write what a machinist pulls: solid, point list, the design itself, a report",
        _export,
        "example: evenflare export runs/shelf/best.toml --out to_cut --chord-error-mm 0.05 --tool-radius-mm 3\n\n"
        "writes solid.stl (mm, throat plane z = 0), points.csv (wall, normals, tool), design.toml, report.html.\n"
        "Rotating tools and dust hurt: read the cautions in points.csv, and prove every program in the air first.\n\n"
        + _DESIGN_KEYS,
    )
    export.add_argument("design", type=Path, help="design file (TOML)")
    export.add_argument("--out", type=Path, required=True, help="folder for the files, made if missing")
    export.add_argument(
        "--chord-error-mm", type=float, default=0.05, help="largest departure of a chord (default 0.05)"
    )
    export.add_argument("--tool-radius-mm", type=float, default=3.0, help="ball or turning nose radius (default 3)")

    command(
        "check",
        "Check this installation against closed forms, in seconds",
        _check,
        "example: evenflare check\n\nExit code 1 if a check fails.",
    )
    return top


_DESIGN_KEYS = """\
[solid] in the design file: kind = "block" (default) or "shell"; wall_mm (default 6), flange_diameter_mm (default the
mouth's and 40), flange_thickness_mm (default 10), bolt_circle_mm (default half-way between mouth and flange), bolts
(default 8; listed in points.csv, not drilled in the mesh)."""


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Entry point of the command `evenflare`."""
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Carry out a command line; the exit code. No traceback reaches a user."""
    options = parser().parse_args(arguments)
    options.words = shlex.join(["evenflare", *(sys.argv[1:] if arguments is None else arguments)])
    try:
        code: int = options.run(options)
        print(end="", flush=True)
        return code
    except InputError as error:
        print(error, file=sys.stderr)
        return INPUT_AT_FAULT
    except KeyboardInterrupt:
        print("interrupted; what was finished is kept", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        _drop_output()  # its reader has seen enough
        return DONE
    except Exception as error:
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            _drop_output()
            print(f"cannot write ({error.strerror}). Free some disk space, then run it again", file=sys.stderr)
            return INPUT_AT_FAULT
        print(f"evenflare failed, and it is our fault ({error}). {_details(options.words)}", file=sys.stderr)
        return OWN_FAULT


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
        from evenflare.radiation.march import warm_up

        warm_up()


def _list(written: Sequence[tuple[str, str]], folder: Path) -> None:
    width = max(len(name) for name, _ in written)
    print(f"Written in {folder}:")
    for name, use in written:
        print(f"  {name:{width}}  {use}")


def _solve(options: argparse.Namespace) -> int:
    from evenflare import commands

    _compiled(options.quiet)
    directivity, written = commands.solve_command(
        options.design, options.out, options.setting, options.method, options.words
    )
    print(f"Directivity index: {commands.index_line(directivity)}")
    if directivity.error_estimate is None:
        print("Error not estimated at this setting: a first look, several dB off at high frequency")
    else:
        print(f"Estimated error of the index: {directivity.error_estimate.max():.3f} dB at most")
    _list(written, options.out)
    return DONE


def _score(options: argparse.Namespace) -> int:
    from evenflare import commands

    _compiled(options.quiet)
    found, notes = commands.score_command(options.design, options.target)
    for note in notes:
        print(f"note: {note}", file=sys.stderr)
    if options.json:
        print(commands.score_json(found))
    else:
        print(f"score {found.value:.4f} dB (weighted rms deviation; 0 is the target itself)")
        for name, value in found.terms.items():
            print(f"  {name:36} {value:9.4f}")
        print("limits (at or below 0: kept)")
        for name, value in found.constraints.items():
            print(f"  {name:36} {value:9.4f}{'  BROKEN' if value > 0 else ''}")
    return DONE if found.feasible else ANSWER_IS_NO


def _export(options: argparse.Namespace) -> int:
    from evenflare import commands
    from evenflare.units import MILLIMETRE

    cut = commands.Cut(options.chord_error_mm * MILLIMETRE, options.tool_radius_mm * MILLIMETRE)
    _list(commands.export_command(options.design, options.out, cut, options.words), options.out)
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
        words = (
            f"{progress.done}/{progress.total} {progress.stage}: best {best}, {progress.rate:.0f} candidates/s{left}"
        )
        print(f"\r\033[K{words}" if self.terminal else words, end="" if self.terminal else "\n", file=sys.stderr)
        sys.stderr.flush()

    def say(self, words: str) -> None:
        """A line of its own."""
        if not self.quiet:
            print(f"\r\033[K{words}" if self.terminal else words, file=sys.stderr, flush=True)


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s" if minutes else f"{rest} s"


def _search(options: argparse.Namespace) -> int:
    from evenflare import commands
    from evenflare.target import reach_statement, reachability, read_target

    ticker = _Ticker(options.quiet)
    target = read_target(options.target)
    for warning in reachability(target):
        print(f"warning: {warning}", file=sys.stderr)
    ticker.say(reach_statement(target))
    _compiled(options.quiet)
    result, written = commands.search_command(
        options.target,
        options.out,
        command=options.words,
        workers=options.workers,
        candidates=options.candidates,
        minutes=options.minutes,
        seed=options.seed,
        progress=ticker,
        stage=ticker.say,
    )
    for note in result.plan.notes:
        ticker.say(f"note: {note}")
    _tell(result)
    if written:
        _list(written, options.out)
    if result.stopped_by == "interrupted":
        print("interrupted; the same command on the same folder continues", file=sys.stderr)
        return INTERRUPTED
    return DONE if result.feasible else ANSWER_IS_NO


def _tell(result: SearchResult) -> None:
    print(f"{result.asked} candidates asked for, {result.scored} solved, {result.full} of them at full")
    if result.best is None:
        advice = ". Widen [limits], or ask for more candidates" if result.stopped_by == "candidates" else " so far"
        print(f"No candidate keeps the limits{advice}")
        return
    best = result.best
    print(f"Best: {best.family}, score {best.score.value:.3f} dB at {best.setting}")
    if result.gain is not None:
        print(f"That is {result.gain:.3f} dB better than the best published family")
