"""The only way to a machine's files: programs made, cut in software as read back from files, written if they passed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenflare import files
from evenflare.files import InputError
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.programs import programs, stock_needed
from evenflare.manufacture.milling.toolpath_csv import toolpath
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.proof.proof import ProgramProof, Proof
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide


@dataclass(frozen=True)
class Proved:
    """The programs of a part, as text and cut in software; made by `prove_programs`, written by `write_programs`.

    programs : in the order in which they run; none without a machine.
    texts    : of their files, as proved.
    toolpath : text of the list of points.
    proof    : None without programs.
    stock    : what the part is cut from, in words.
    newline  : what ends the lines of the programs' files.
    left_out : programs that cannot be made, a line on each.
    left     : what of the part is in no program because a tool does not do, in words.
    """

    programs: tuple[Program, ...] = ()
    texts: tuple[str, ...] = ()
    toolpath: str = ""
    proof: Proof | None = None
    stock: str = ""
    newline: str = "\n"
    left_out: tuple[str, ...] = ()
    left: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """ValueError for programs whose proof is missing or is another's."""
        judged = () if self.proof is None else tuple(each.program for each in self.proof.programs)
        if judged != tuple(each.name for each in self.programs) or len(self.texts) != len(judged):
            raise ValueError("programs without a proof of each: take prove_programs, which cuts the part in software")

    @property
    def may_be_written(self) -> bool:
        """Whether the programs, if there are any, cut the part without a gouge."""
        return self.proof is None or self.proof.passed


def prove_programs(
    waveguide: Waveguide,
    process: Process,
    sizes: Sizes | OblongSizes,
    *,
    design_id: str,
    name: str,
    features: Features = PLAIN,
) -> Proved:
    """Make a part's programs, write them to a bench of their own, read them back and cut the part with them.

    sizes, features : of the part's outside, and what is cut from it.
    Errors : InputError where tools, stock or machine do not do for the part.
    """
    made, left_out, left = programs(waveguide, process, sizes, features)
    if not made:
        return Proved(left_out=left_out)
    stock = stock_needed(waveguide, process, sizes)
    with files.bench() as bench:
        paths = [bench / f"{program.name}.nc" for program in made]
        for order, (path, program) in enumerate(zip(paths, made, strict=True)):
            text = gcode(program, process, design_id=design_id, name=name, setup=[stock], order=order)
            files.write_text(path, text, newline=process.controller.newline)
        proof = prove_files(waveguide, paths, process, sizes=sizes, features=features)
        texts = tuple(path.read_text(encoding="utf-8") for path in paths)
    listed = toolpath(made, process, design_id=design_id, name=name)
    return Proved(made, texts, listed, proof, stock, process.controller.newline, left_out, left)


def _left(proof: ProgramProof) -> str:
    allowed, high = proof.leftover_allowed, proof.too_high
    if high is not None:
        return f" material {high.size / MILLIMETRE:.4f} mm higher than its levels leave it, must be none,"
    if allowed is None:
        return ""
    return f" leftover {proof.leftover.size / MILLIMETRE:.4f} mm, must be at most {allowed / MILLIMETRE:.4f},"


def write_programs(proved: Proved, folder: Path) -> None:
    """Write the programs and `toolpath.csv` into `folder`; nothing where there are none.

    Errors: InputError if one gouges or touches what it must not, before any file; or if a file cannot be written.
    """
    if proved.proof is None:
        return
    for each in proved.proof.programs:
        if not each.accepted:
            raise InputError(
                f"{each.program}.nc: cut in software, gouge {each.gouge.size / MILLIMETRE:.4f} mm, must be at most"
                f" {each.tolerance / MILLIMETRE:g},{_left(each)} {len(each.contacts)} contacts of rapid moves,"
                " shank or holder, must be none,"
                f" engagement {each.engagement.size / MILLIMETRE:.4f} mm, must be at most"
                f" {each.engagement_stated / MILLIMETRE:.4f}: no program is written. Take another tool or a finer"
                " tolerance"
            )
    for program, text in zip(proved.programs, proved.texts, strict=True):
        files.write_text(folder / f"{program.name}.nc", text, newline=proved.newline)
    files.write_text(folder / "toolpath.csv", proved.toolpath)
