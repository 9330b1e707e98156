"""The process whose units a search is to rank by, read from the file that its target names."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from pathlib import Path

from evenflare.files import InputError, is_file, short
from evenflare.manufacture.process.file import BUNDLED, read_process
from evenflare.search import SearchResult, Winner
from evenflare.search.stages import stage_words
from evenflare.target.target import Target, read_target
from evenflare.waveguide.accuracy import Accuracy
from evenflare.words import spoken


def read_search_target(path: Path) -> Target:
    """The target of a target file, for a search: with what its process says of its accuracy, if it is a robust one.

    Errors: InputError as `read_target`, and for a process that is not there or does not say how true it is.
    """
    target = read_target(path)
    if target.robust is None:
        return target
    return replace(target, robust=replace(target.robust, accuracy=_accuracy(path, target.robust.process)))


def _accuracy(path: Path, name: str) -> Accuracy:
    place, file = f"{path} [search] process = {short(name)}", path.parent / name
    if not is_file(file) and name not in BUNDLED:
        raise InputError(
            f"{place}: no such file, and no bundled process: these are {', '.join(BUNDLED)}. Name one of these, or a"
            " process file, as seen from the target's folder"
        )
    accuracy = read_process(file if is_file(file) else name).accuracy
    if accuracy is None:
        raise InputError(
            f"{place}: does not say how true it is, which robust = true ranks by. Add an [accuracy] table to it, with"
            ' for example wall_spread_mm = 0.1, correlation_length_mm = 20, around = "independent", source ='
            ' "invented"; an inspection of parts writes a measured one'
        )
    if not any((accuracy.bias, accuracy.spread, accuracy.scale_bias, accuracy.scale_spread, accuracy.throat_step)):
        raise InputError(
            f"{place}: its [accuracy] says that every unit is exactly as drawn, so robust = true asks for nothing."
            " Correct wall_spread_mm there, or remove robust"
        )
    return accuracy


def robust_words(winner: Winner, target: Target) -> str:
    """What a winner of a robust search is ranked by, and what is known of its units. Empty for any other search."""
    scatter, robust = winner.scatter, target.robust
    if scatter is None or robust is None:
        return ""
    drawn = f"{scatter.nominal:.3f} dB" if isfinite(scatter.nominal) else "not solved by then"
    plural = "" if robust.k == 1.0 else "s"
    of = f"from {scatter.units} sampled units" if scatter.units else f"estimated {stage_words(winner.setting)}"
    return (
        f"{winner.value:.3f} dB, mean {scatter.mean:.3f} plus {robust.k:g} standard deviation{plural} of"
        f" {scatter.spread:.3f},"
        f" {of} of {robust.process}; as drawn {drawn}"
    )


def robust_lines(result: SearchResult, target: Target) -> list[str]:
    """The winner of a robust search against the best drawn shape, a sentence each without its full stop."""
    best, drawn = result.best, result.nominal
    if best is None or not (words := robust_words(best, target)):
        return []
    lines = [f"The winner, number {best.number}: {words}"]
    if drawn is None:
        return lines
    if drawn.number == best.number:
        return [*lines, "It is also the best as drawn of those whose units were sampled"]
    told = f"The best as drawn, number {drawn.number}, {spoken(drawn.family)}: {robust_words(drawn, target)}"
    return [*lines, told, f"As made, the winner is {drawn.value - best.value:.3f} dB better"]
