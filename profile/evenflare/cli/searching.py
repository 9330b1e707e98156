"""Commands of a search: run or continue one, and read its history; progress on standard error."""

from __future__ import annotations

import argparse
import math
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING

from evenflare.cli.designs import prepare_cabinet
from evenflare.cli.telling import ANSWER_IS_NO, DONE, INTERRUPTED, compiled, list_steps, list_written, tell, warn
from evenflare.text import visible

if TYPE_CHECKING:
    from evenflare.search import Progress, SearchResult
    from evenflare.target.target import Target


def _history(options: argparse.Namespace) -> int:
    from evenflare.commands import searching

    for line in searching.history_lines(options.run_folder):
        print(line)
    return DONE


FEW = 5
"""Numbers of candidates that a line names."""


class _Ticker:
    """Progress of a search on standard error: one line that is rewritten on a terminal, now and then elsewhere."""

    def __init__(self, quiet: bool) -> None:
        self.quiet = quiet
        self.terminal = sys.stderr.isatty()
        self.last = 0.0
        self.stage = ""

    def __call__(self, progress: Progress) -> None:
        from evenflare.words import duration

        now = time.monotonic()
        due = now - self.last > (0.2 if self.terminal else 10.0) or progress.stage != self.stage
        if self.quiet or not due:
            return
        self.last, self.stage = now, progress.stage
        best = "none yet" if progress.best is None else f"{progress.best:.3f} dB"
        left = "" if progress.time_left is None else f", {duration(progress.time_left)} left"
        rate = f"{progress.rate:.0f}" if progress.rate >= 9.5 else f"{progress.rate:.2g}"
        words = f"{progress.done}/{progress.total} candidates, {progress.stage}: best {best}, {rate}/s{left}"
        self._write(words, "" if self.terminal else "\n")

    def say(self, words: str) -> None:
        """A line of its own."""
        if not self.quiet:
            self._write(words, "\n")

    def _write(self, words: str, end: str) -> None:
        start = "\r\033[K" if self.terminal else ""
        with suppress(OSError, ValueError):
            print(f"{start}{visible(words)}", end=end, file=sys.stderr, flush=True)


def _search(options: argparse.Namespace) -> int:
    from evenflare.commands.live import held_words

    began = time.monotonic()
    try:
        return _searched(options, began)
    except KeyboardInterrupt:
        tell(f"interrupted; {held_words(options.out)}")
        return INTERRUPTED


def _searched(options: argparse.Namespace, began: float) -> int:
    from evenflare.commands import searching, solving
    from evenflare.commands.live import held_words
    from evenflare.commands.remarks import air_warnings
    from evenflare.commands.starting import starts_of
    from evenflare.target.assumed import assumed_line, rejected_lines
    from evenflare.target.consistent import contradictions
    from evenflare.target.reach import reachability
    from evenflare.target.target import read_target

    ticker = _Ticker(options.quiet)
    asked = {name: getattr(options, name) for name in ("workers", "scheduler", "candidates", "minutes", "seed")}
    asked["starts"] = starts_of(read_target(options.target), options.starts) if options.starts else ()
    target, notes = searching.checked_search(options.target, options.out, **asked)
    warn([*contradictions(target), *reachability(target), *air_warnings(options.target, target.air)])
    for note in notes:
        ticker.say(note)
    ticker.say(assumed_line(target))
    for start in asked["starts"]:
        ticker.say(f"From {start.words}")
    compiled(options.quiet)
    ticker.say(searching.forecast(target, options.target, options.out, options.candidates, options.workers))
    ends = math.inf if options.minutes is None else began + 60.0 * options.minutes
    if not prepare_cabinet(options.target, quiet=options.quiet, ends=ends):
        print("Time was up while the cabinet was being solved: what is solved of it is kept. The same command goes on")
        return ANSWER_IS_NO
    if not options.quiet:
        ticker.say(searching.reach_words(target))
    result, solution = searching.search_command(
        options.target,
        options.out,
        command=options.words,
        began=began,
        progress=ticker,
        stage=ticker.say,
        **asked,
    )
    if solution is not None and solution.answer is not None:
        for line in [solution.answer.verdict.headline, *solution.answer.verdict.lines]:
            print(line)
    _tell(result, target)
    for line in rejected_lines(target, result.rejected, result.built):
        print(line)
    if solution is not None:
        for line in solving.agreement_lines(solution.sound):
            print(line)
        list_written(solution.written, options.out)
        warn(solution.sound.warnings)
        list_steps([] if solution.answer is None else solution.answer.steps)
    if result.stopped_by == "interrupted":
        tell(f"interrupted; {held_words(options.out)}")
        return INTERRUPTED
    return DONE if result.feasible else ANSWER_IS_NO


def _tell(result: SearchResult, target: Target) -> None:
    from evenflare.commands.forgiving import robust_lines
    from evenflare.commands.fronts import binding_lines
    from evenflare.search import ranking_words
    from evenflare.search.stages import stage_words

    if result.stopped_by != "candidates" and not result.asked:
        ended = "Interrupted" if result.stopped_by == "interrupted" else "Time was up"
        print(f"{ended} before the first candidate: what comes before takes a while. The same command begins there")
        return
    print(f"{result.asked} candidates asked for, {result.scored} solved, {result.full} of them at full")
    if result.left_out:
        print(f"No time was left to judge {result.left_out} of the best at full: more --minutes on the same command do")
    if result.lost:
        numbers = ", ".join(map(str, result.lost[:FEW])) + (", ..." if len(result.lost) > FEW else "")
        print(
            f"Counted as failed, since two worker processes were killed over each, for lack of memory most likely:"
            f" number {numbers}"
        )
    if result.best is None:
        so_far = "" if result.stopped_by == "candidates" else " so far"
        why = f": {result.why}" if result.why else ""
        print(f"No candidate keeps the limits of {target.source}{so_far}{why}")
        if not so_far:
            print(f"Widen [limits] in {target.source}, or ask for more candidates")
        return
    best = result.best
    print(f"Best: {best.family}, score {best.score.value:.3f} dB {stage_words(best.setting)}")
    for line in robust_lines(result, target):
        print(line)
    if ranked := ranking_words(best.waveguide.mounting, oblong=not best.waveguide.is_round):
        print(f"{ranked[0].upper()}{ranked[1:]}")
    if result.gain is not None:
        print(f"That is {result.gain:.3f} dB better than the best shape of a published family that was tried")
    for line in binding_lines(result.binding):
        print(line)
    if result.agreement is not None and result.agreement.words:
        print(f"{result.agreement.words[0].upper()}{result.agreement.words[1:]}")


def _pick(options: argparse.Namespace) -> int:
    from evenflare.commands import picking

    found = picking.pick_command(options.run_folder, options.number, options.out, target=options.target)
    candidate = found.picked
    outcome = candidate.outcome
    if outcome.value is None:
        print(f"{options.out}: candidate {candidate.number} of {candidate.job.family}, not solved: it {outcome.reason}")
    else:
        print(
            f"{options.out}: candidate {candidate.number} of {candidate.job.family}, score {outcome.value:.3f} dB at"
            f" {candidate.job.setting}"
        )
    return DONE


COMMANDS = {"search": _search, "history": _history, "pick": _pick}
"""What each does; the exit code."""
