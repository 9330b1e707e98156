"""What is said about a design beside its results: notes, warnings, and faults that show only when it is worked with."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from evenflare.air import Air
from evenflare.files import InputError
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Conical, Meridian, OblateSpheroidal, Oblong, Points, Shape, Waveguide

MOST_CORNERS = 12
"""That are named one by one."""
LARGE_DEPARTURE = 0.5 * MILLIMETRE
"""Of a smooth wall from the straight lines between its points: more is rarely what was drawn."""
THROAT_CORNER = 5 * DEGREE
"""Between exit and wall, from which it is worth a word."""
NARROW = 2 * DEGREE
"""Wall angle below which radians may have been meant."""


def _walls(waveguide: Waveguide) -> dict[str, tuple[Shape, Meridian]]:
    """The walls by what distinguishes them: the plane's name, or nothing for the only one of a round waveguide."""
    shape = waveguide.shape
    if not isinstance(shape, Oblong):
        return {"": (shape, waveguide.meridian)}
    surface = waveguide.surface
    return {"horizontal": (shape.horizontal, surface.horizontal), "vertical": (shape.vertical, surface.vertical)}


def _table(plane: str) -> str:
    """The table in which a wall stands, as messages name it; a CSV named in [waveguide] belongs there too."""
    return f"[waveguide] {plane}:" if plane else "[waveguide]"


def corners_kept(waveguide: Waveguide) -> str:
    """What became of the points of a wall, in words; empty for a wall that is not made of points."""
    said = {name: _corners_of(shape) for name, (shape, _) in _walls(waveguide).items() if isinstance(shape, Points)}
    return "; ".join(f"{name}: {text}" if name else text for name, text in said.items())


def _corners_of(shape: Points) -> str:
    at = [f"{shape.points[i][0] / MILLIMETRE:.1f}" for i in shape.corners]
    more = f" and {len(at) - MOST_CORNERS} more" if len(at) > MOST_CORNERS else ""
    corners = f"corners kept at z = {', '.join(at[:MOST_CORNERS])} mm{more}" if at else "no corners kept"
    return (
        f"{corners}; between points the smooth wall leaves the straight lines by up to"
        f" {shape.departure / MILLIMETRE:.2f} mm"
    )


def air_warnings(path: Path, air: Air) -> list[str]:
    """How far the [air] of the file `path` can be trusted, where that is less than usual."""
    return [f"{path} [air] {air.remark}"] if air.remark else []


def warnings(path: Path, waveguide: Waveguide) -> list[str]:
    """What may well be a mistake in the design of the file `path`."""
    return [
        f"{path} {_table(name)} the smooth wall leaves the straight lines between its points by up to"
        f" {shape.departure / MILLIMETRE:.2f} mm. Lower corner_deg, {shape.corner / DEGREE:g} now, to keep more"
        " corners, or give more points"
        for name, (shape, _) in _walls(waveguide).items()
        if isinstance(shape, Points) and shape.departure > LARGE_DEPARTURE
    ]


def notes(path: Path, waveguide: Waveguide, *, made: bool = False) -> list[str]:
    """What a user may want to know of the design of the file `path`; `made`: that it is to be cut."""
    said, corners = [], {}
    for name, (shape, meridian) in _walls(waveguide).items():
        if isinstance(shape, Conical | OblateSpheroidal) and shape.wall_angle < NARROW:
            said.append(
                f"{path} {_table(name)} a wall angle of {shape.wall_angle / DEGREE:g} degrees is almost a tube. If"
                f" {shape.wall_angle / DEGREE:g} is in radians, write wall_angle_deg ="
                f" {shape.wall_angle / DEGREE**2:.4g}"
            )
        corner = abs(float(meridian.ends.angle[0]) - waveguide.driver.exit_half_angle)
        if corner > THROAT_CORNER:
            corners[name] = f"{corner / DEGREE:.1f} deg{f' ({name})' if name else ''}"
    if corners:
        said.append(f"corner of {' and '.join(corners.values())} between exit and wall at the throat")
    if made and waveguide.mounting.kind == "sphere":
        said.append("the model assumes the sphere; the solid has a flat front")
    if made and waveguide.mounting.kind == "free_standing":
        said.append(
            "the outline of the body is acoustic only: the solid is what [solid] asks for, without that outside"
        )
    return said


def check_solvable(waveguide: Waveguide) -> None:
    """InputError for a wall that no solver follows. An oblong one that turns back is none, and was refused as such."""
    if not waveguide.is_round:
        return
    wall = waveguide.meridian.dense
    worst = int(wall.angle.argmax())
    if wall.angle[worst] > 0.5 * np.pi + 1e-6:
        raise InputError(
            f"[waveguide] the wall turns to {wall.angle[worst] / DEGREE:.4g} degrees at z_mm ="
            f" {wall.z[worst] / MILLIMETRE:.4g}: must be at most 90, where it would run back toward the throat. Move"
            " the points after that place forward, or end the profile there"
        )


@contextmanager
def faults_of(path: Path, *, solving: bool = False) -> Iterator[None]:
    """What the block cannot do with the design of the file `path`, as an InputError that names the file.

    solving : the block solves, and a ValueError says what the design asks for in vain.
    """
    try:
        yield
    except InputError as error:
        if str(error).startswith("["):
            raise InputError(f"{path} {error}") from error
        raise
    except ValueError as error:
        if not solving:
            raise
        text = str(error)
        raise InputError(f"{path} [analysis] {text}" if text.startswith("distance_m") else f"{path}: {text}") from error
