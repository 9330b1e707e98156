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
SMALL_MOVE = 1e-3
"""mm, of a point by smoothing, from which it is worth a word though nobody asked for it."""
ROUGH = 1.5e-3
"""rad, of a wall to and fro from point to point: on cones and free curves with even noise on points 0.2 to 2 mm apart
1 mrad made 0.01 to 0.1 dB.
"""
LEAST_SMOOTH, AMPLE = 2.4, 4.0
"""Times the noise of points: what smooth_mm has to be, or some of the noise stays, and what is ample."""
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
    smoothed = f"; {said}" if (said := _smoothing_of(shape)) else ""
    return (
        f"{corners}; between points the smooth wall leaves the straight lines by up to"
        f" {shape.departure / MILLIMETRE:.2f} mm{smoothed}"
    )


def air_warnings(path: Path, air: Air) -> list[str]:
    """How far the [air] of the file `path` can be trusted, where that is less than usual."""
    return [f"{path} [air] {air.remark}"] if air.remark else []


def _smoothing_of(shape: Points) -> str:
    """By how much smoothing leaves the points, in words; empty where it leaves them by nothing worth a word."""
    moved = shape.moved / MILLIMETRE
    if shape.smooth == 0.0 and moved.max() < SMALL_MOVE:
        return ""
    return f"smoothed, the wall leaves the points by up to {moved.max():.3f} mm, {np.sqrt(np.mean(moved**2)):.3f} rms"


def _rough(shape: Points) -> str:
    """What roughness of the points calls for, in words; empty where they are smooth."""
    enough = _rounded_up(AMPLE * shape.noise / MILLIMETRE)
    noise = f"they leave a smooth curve by {shape.noise / MILLIMETRE:.2g} mm rms from one to the next"
    if 0.0 < shape.smooth < LEAST_SMOOTH * shape.noise:
        return (
            f"the points are too rough for smooth_mm = {shape.smooth / MILLIMETRE:g}: {noise}. Write smooth_mm ="
            f" {enough:g}, or measure them more exactly"
        )
    if shape.roughness > ROUGH:
        return (
            f"the points are rough: {noise}, and for what is left of it the wall turns to and fro by"
            f" {shape.roughness / DEGREE:.2g} degrees, more than solvers can follow. Write smooth_mm = {enough:g} to"
            " smooth them, or give fewer or more exact points"
        )
    return ""


def _rounded_up(value: float) -> float:
    """To one digit that counts."""
    digit = 10.0 ** np.floor(np.log10(value)) if value > 0.0 else 1.0
    return float(np.ceil(value / digit - 1e-9) * digit)


def warnings(path: Path, waveguide: Waveguide) -> list[str]:
    """What may well be a mistake in the design of the file `path`."""
    shapes = {name: shape for name, (shape, _) in _walls(waveguide).items() if isinstance(shape, Points)}
    rough = {name: said for name, shape in shapes.items() if (said := _rough(shape))}
    return [f"{path} {_table(name)} {said}" for name, said in rough.items()] + [
        f"{path} {_table(name)} the smooth wall leaves the straight lines between its points by up to"
        f" {shape.departure / MILLIMETRE:.2f} mm. Lower corner_deg, {shape.corner / DEGREE:g} now, to keep more"
        " corners, or give more points"
        for name, shape in shapes.items()
        if shape.departure > LARGE_DEPARTURE
    ]


def notes(path: Path, waveguide: Waveguide, *, made: str = "") -> list[str]:
    """What a user may want to know of the design of the file `path`; `made`: the kind of solid that is to be made."""
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
    if made and waveguide.mounting.kind == "cabinet":
        said.append("the cabinet is acoustic only: the solid is what [solid] asks for, without it")
    if made and made != "body" and waveguide.mounting.kind == "free_standing":
        said.append(
            "the outline of the body is acoustic only: the solid is what [solid] asks for, without that outside."
            ' [solid] kind = "body" makes it'
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
