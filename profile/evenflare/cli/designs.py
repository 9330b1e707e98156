"""Commands on one design: solve, score, export; and the check of this installation."""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare.cli.telling import ANSWER_IS_NO, DONE, NowAndThen, compiled, list_steps, list_written, tell, warn
from evenflare.files import check_folder

if TYPE_CHECKING:
    from evenflare.commands.cabinets import CabinetProgress
    from evenflare.commands.solving import Needs


def _cabinet(options: argparse.Namespace) -> int:
    from evenflare.commands import cabinets

    question = cabinets.checked_question(options.file)
    compiled(options.quiet)
    print(f"{question.words[0].upper()}{question.words[1:]}", flush=True)
    solved = cabinets.prepare(question, None if options.quiet else cabinet_progress())
    print(f"Ready: {solved} frequencies solved, the others were there", flush=True)
    return DONE


def prepare_cabinet(path: Path, *, quiet: bool, ends: float = math.inf) -> bool:
    """Solve the cabinet of a design or target file first, if it has one that is not solved yet.

    ends : s on the clock of time.monotonic, when to leave off; False if that came first, what is solved is then kept.
    """
    from evenflare.commands import cabinets

    question = cabinets.question_of(path)
    if question is None:
        return True
    if not quiet and cabinets.is_missing(question):
        tell(f"Solving {question.words}")
    say = None if quiet else cabinet_progress()

    def done(here: CabinetProgress) -> None:
        if say is not None:
            say(here)
        if here.done < here.total and time.monotonic() >= ends:
            raise _TimeIsUpError

    try:
        cabinets.prepare(question, done)
    except _TimeIsUpError:
        return False
    return True


class _TimeIsUpError(Exception):
    """A cabinet takes longer than there is time."""


def cabinet_progress() -> Callable[[CabinetProgress], None]:
    """How far a cabinet is, and what was wrong with what was kept of it."""
    from evenflare.words import duration

    now_and_then = NowAndThen()

    def say(here: CabinetProgress) -> None:
        words = f"{here.done}/{here.total} frequencies of the cabinet"
        now_and_then.say("" if here.left is None else f"{words}, {duration(here.left)} left", here.fault)

    return say


def _needed(needs: Needs) -> str:
    from evenflare.words import duration

    memory = f"{needs.memory / 1e6:.0f} MB of memory"
    if not needs.seconds:
        return f"Solving takes about {memory}"
    took = duration(max(1.0, sum(needs.seconds)))
    return f"Solving takes about {took} and {memory}: {needs.unknowns} unknowns at the highest frequency"


class Judging:
    """A judge's progress on standard error, now and then, from what each frequency was thought to take."""

    def __init__(self, seconds: Sequence[float]) -> None:
        self.seconds = seconds
        self.start = self.last = time.monotonic()

    def __call__(self, done: int) -> None:
        """So many frequencies are done, of those from the highest down."""
        from evenflare.words import duration

        now = time.monotonic()
        if now - self.last < 2.0 or done >= len(self.seconds):
            return
        self.last = now
        left = (now - self.start) / sum(self.seconds[-done:]) * sum(self.seconds[:-done])
        tell(f"{done}/{len(self.seconds)} frequencies, {duration(left)} left")


def _remark(options: argparse.Namespace, *, made: bool) -> str:
    """Say what there is to say about a design before it is worked with; what became of its corners."""
    from evenflare.commands import remarks
    from evenflare.design.file import read_design

    design = read_design(options.design)
    waveguide, kind = design.waveguide, design.solid.kind if made else ""
    warn(remarks.warnings(options.design, waveguide))
    for note in () if options.quiet else remarks.notes(options.design, waveguide, made=kind):
        tell(f"note: {note}")
    return remarks.corners_kept(waveguide)


def _solve(options: argparse.Namespace) -> int:
    from evenflare.commands import comparing, designs, solving
    from evenflare.commands.remarks import air_warnings

    check_folder(options.out)
    corners = _remark(options, made=False)
    warn(air_warnings(options.design, comparing.design_like(options.design, options.like).air))
    warn(solving.method_warnings(options.design, options.method))
    warn(comparing.like_warnings(options.design, options.like))
    compiled(options.quiet)
    needs = solving.needs(options.design, options.setting, options.method, like=options.like)
    if needs.memory and not options.quiet:
        tell(_needed(needs))
    if options.like is None:
        prepare_cabinet(options.design, quiet=options.quiet)
    judging = Judging(needs.seconds) if needs.seconds and not options.quiet else None
    solution = designs.solve_command(
        options.design, options.out, options.setting, options.method, options.words, options.like, judging
    )
    sound = solution.sound
    if corners:
        print(corners)
    for line in [*designs.index_lines(sound.directivity), *solving.found_lines(sound)]:
        print(line)
    list_written(solution.written, options.out)
    warn(sound.warnings)
    return DONE


def _score(options: argparse.Namespace) -> int:
    from evenflare.commands import scoring

    compiled(options.quiet)
    judged = scoring.score_command(options.design, options.target)
    found = judged.score
    for note in judged.notes:
        tell(f"note: {note}")
    if options.json:
        print(scoring.score_json(judged))
    else:
        for line in [judged.answer.verdict.headline, *judged.answer.verdict.lines]:
            print(line)
        print(f"score {found.value:.4f} dB (weighted rms deviation; 0 is the target itself)")
        for name, value in found.terms.items():
            print(f"  {name:36} {value:9.4f}")
        print("limits (at or below 0: kept), and where the wall comes nearest to them")
        for name, value in found.constraints.items():
            where = scoring.place_words(judged.places[name])
            print(f"  {name:36} {value:9.4f}  {where}{'  BROKEN' if value > 0 else ''}")
        list_steps(judged.answer.steps)
    return DONE if found.feasible else ANSWER_IS_NO


def _export(options: argparse.Namespace) -> int:
    from evenflare.commands import designs, making
    from evenflare.commands.gauging import Gauging
    from evenflare.manufacture.gauges.probe import checked_probe_radius
    from evenflare.manufacture.process.file import read_process
    from evenflare.units import MILLIMETRE

    sections = None if options.sections_mm is None else [z * MILLIMETRE for z in options.sections_mm]
    process = None if options.process is None else read_process(options.process)
    tool = None if options.tool_radius_mm is None else options.tool_radius_mm * MILLIMETRE
    chord_error, radius = options.chord_error_mm * MILLIMETRE, making.tool_radius(tool, process)
    cut = designs.checked_cut(chord_error, radius, sections, tool_asked=tool is not None)
    radius = checked_probe_radius(options.probe_radius_mm * MILLIMETRE)
    gauging = Gauging(options.tolerance, options.gauges, radius)
    check_folder(options.out)
    corners = _remark(options, made=True)
    if process is not None and process.makes_programs and not options.quiet:
        tell("cutting the part in software before any program is written")
    found = designs.export_command(
        options.design, options.out, cut, options.words, process=process, step=options.step, gauging=gauging
    )
    if corners:
        print(corners)
    list_written(found.written, options.out)
    for name in found.removed:
        print(f"removed {options.out / name}: it was of an earlier export")
    warn(found.warnings)
    if not found.programs_accepted:
        warn(["the proof by cutting in software failed: no program was written, see proof.json and report.html"])
    warn(found.left_out)
    return DONE if found.programs_accepted and not found.left_out else ANSWER_IS_NO


def _check(options: argparse.Namespace) -> int:
    from evenflare.commands.check import checks

    compiled(options.quiet)
    passed = True
    for check in checks():
        print(f"{'ok  ' if check.passed else 'FAIL'}  {check.name}: {check.found}", flush=True)
        passed &= check.passed
    return DONE if passed else ANSWER_IS_NO


COMMANDS = {"cabinet": _cabinet, "solve": _solve, "score": _score, "export": _export, "check": _check}
"""What each does; the exit code."""
