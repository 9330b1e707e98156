"""The tutorial as a reader follows it: its files saved, its commands carried out, in the order of the page.

`make tutorial` does so in a folder of its own, makes the page's pictures from what was written, and gathers the columns
of all tables for the other pages.
"""

from __future__ import annotations

import io
import re
import runpy
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import chdir, redirect_stdout
from pathlib import Path

from PIL import Image

import documents
from evenflare.cli import run

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "docs" / "tutorial.md"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```", re.DOTALL | re.MULTILINE)
EXIT_CODE = re.compile(r"# exit code (\d+)")

PICTURES = {
    "profile.png": "runs/desk/best/profile.png",
    "index.png": "runs/desk/best/index_and_beamwidth.png",
    "deviation.png": "compared/deviation_map_horizontal.png",
    "fitted.png": "calibration/fitted.png",
    "equalised.png": "filters/equalised.png",
    "ways.png": "crossed/ways.png",
    "what_matters.png": "seats/what_matters.png",
}
"""In docs/pictures, and which of the run's pictures each is."""
WIDTH, COLOURS = 900, 96
"""Pixels and colours of a picture of the page: enough to read it, and small."""

OBLONG = """
name = "invented oblong waveguide"
[waveguide]
section_exponent = 2.6
[waveguide.horizontal]
family = "oblate_spheroidal"
depth_mm = 60
wall_angle_deg = 47
[waveguide.vertical]
family = "conical"
depth_mm = 60
wall_angle_deg = 28
[driver]
exit_diameter_mm = 25.4
[analysis]
from_hz = 1000
to_hz = 4000
per_octave = 1
"""


def steps(page: Path = PAGE) -> Iterator[tuple[str, str]]:
    """In order: ("file", its text) and ("command", its line)."""
    for language, text in BLOCK.findall(page.read_text(encoding="utf-8")):
        if language == "toml" and text.startswith("# "):
            yield "file", text
        elif language == "sh":
            yield from (("command", line) for line in text.splitlines() if line.strip())


def prepare(folder: Path) -> None:
    """What a reader's folder has to begin with."""
    for name in ("targets", "examples"):
        shutil.copytree(ROOT / name, folder / name)


def carry_out(line: str) -> str:
    """One command in the current folder; its standard output. AssertionError unless it ends as the page says."""
    command, _, into = line.partition(" > ")
    words = shlex.split(command, comments=True)
    wanted = int(found[1]) if (found := EXIT_CODE.search(line)) else 0
    with redirect_stdout(io.StringIO()) as out:
        if words[0] == "evenflare":
            code = run([*words[1:], "--quiet"])
        else:
            assert words[0] == "python", line
            code, before = 0, sys.argv
            sys.argv = words[1:]
            try:
                runpy.run_path(words[1], run_name="__main__")
            finally:
                sys.argv = before
    assert code == wanted, f"{line}: exit code {code}\n{out.getvalue()}"
    if into:
        Path(into.strip()).write_text(out.getvalue(), encoding="utf-8")
    return out.getvalue()


def follow(folder: Path) -> dict[str, str]:
    """The whole page in a folder; by command what it printed."""
    prepare(folder)
    said = {}
    with chdir(folder):
        for kind, text in steps():
            if kind == "file":
                path = Path(text.splitlines()[0].removeprefix("# "))
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(text, encoding="utf-8")
            else:
                said[text] = carry_out(text)
        # What the page does not show: the tables of an oblong waveguide.
        Path("oblong.toml").write_text(OBLONG, encoding="utf-8")
        carry_out("evenflare solve oblong.toml --out oblong --setting screen")
        carry_out("evenflare export oblong.toml --out oblong --chord-error-mm 0.5")
    return said


def shrunk(source: Path, target: Path) -> None:
    """A picture made small."""
    picture = Image.open(source).convert("RGB")
    height = round(picture.height * WIDTH / picture.width)
    small = picture.resize((WIDTH, height), Image.Resampling.LANCZOS)
    small.quantize(COLOURS, dither=Image.Dither.NONE).save(target, optimize=True)


def main() -> None:
    """Follow the page, keep its pictures, and write what other pages list of its files."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for command, said in follow(folder).items():
            sys.stdout.write(f"$ {command}\n{said}\n")
        pictures = ROOT / "docs" / "pictures"
        pictures.mkdir(exist_ok=True)
        for picture, source in PICTURES.items():
            shrunk(folder / source, pictures / picture)
        (folder / "candidates.csv").unlink()  # its columns go with the families that were searched
        documents.main([name])


if __name__ == "__main__":
    main()
