"""A solid as a binary STL file in mm."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np

from evenflare.files import apart, replacing
from evenflare.manufacture.comments import plain
from evenflare.manufacture.part.boolean import drilled
from evenflare.manufacture.part.faults import SolidError, drawn
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.oblong_solid import Thinnest
from evenflare.manufacture.part.outline import Sizes, SolidChoice, solid_sizes
from evenflare.manufacture.part.solid import Mesh, build, volume
from evenflare.manufacture.part.soundness import check_sound
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Meridian, Waveguide

FAULTS = "faults.stl"
FAULTS_TITLE = "faults of a solid that was not made"


@dataclass(frozen=True)
class SolidFile:
    """What was written.

    path      : of the file.
    sizes     : of the solid, defaults filled in.
    triangles : number.
    volume    : m3, of the mesh.
    mesh      : what the file holds.
    features  : cut from it besides the wall, as they fit.
    thinnest  : where an oblong part's material is thinnest; None for a round one.
    """

    path: Path
    sizes: Sizes | OblongSizes
    triangles: int
    volume: float
    mesh: Mesh
    thinnest: Thinnest | None = None
    features: Features = PLAIN


def write_solid(
    waveguide: Waveguide,
    solid: SolidChoice,
    path: Path,
    *,
    chord_error: float,
    design_id: str,
    name: str,
    features: Features = PLAIN,
) -> SolidFile:
    """Write the solid of a round `waveguide` as binary STL: mm, axis z, throat plane z = 0, front face at z = depth.

    chord_error     : m, see build.
    design_id, name : for the header.
    features        : cut from it besides.
    Errors          : InputError as solid_sizes, fitted and build, or if the file cannot be written; SolidError if the
                      solid is not sound.
    """
    sizes = solid_sizes(waveguide.meridian, solid)
    features = fitted(waveguide, sizes, features)
    mesh = build_round(waveguide.meridian, sizes, features, chord_error=chord_error)
    write_stl(mesh, path, title=f"{design_id} {name}")
    return solid_file(path, sizes, mesh, features=features)


def build_round(meridian: Meridian, sizes: Sizes, features: Features, *, chord_error: float) -> Mesh:
    """The solid of a round waveguide with all that is cut from it, sound. features : fitted to it. Errors as above."""
    turned = build(meridian, sizes, chord_error=chord_error, features=features)
    mesh = drilled(turned, sizes, features, front=meridian.depth, chord_error=chord_error)
    check_sound(mesh)
    return mesh


def solid_file(
    path: Path, sizes: Sizes | OblongSizes, mesh: Mesh, thinnest: Thinnest | None = None, *, features: Features = PLAIN
) -> SolidFile:
    """The facts of a mesh, for a report."""
    return SolidFile(path, sizes, mesh.faces.shape[0], volume(mesh), mesh, thinnest, features)


def write_faults(fault: SolidError, path: Path) -> bool:
    """Draw the places of a fault as STL in mm, at once, and say whether there are any to draw.

    Errors: InputError if the file cannot be written.
    """
    triangles = drawn(fault)
    if not len(triangles):
        return False
    mesh = Mesh(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3))
    with apart():
        write_stl(mesh, path, title=FAULTS_TITLE)
    return True


def clear_faults(path: Path) -> None:
    """Remove a drawing of faults of an earlier export, if the file is one."""
    start = f"evenflare mm {FAULTS_TITLE}".encode("ascii")
    if path.is_file():
        with path.open("rb") as file:
            ours = file.read(len(start)) == start
        if ours:
            path.unlink()


def write_stl(mesh: Mesh, path: Path, *, title: str) -> None:
    """Write a mesh as binary STL in mm, whole or not at all; the first of `title` stands in its 80 bytes of header.

    Errors: InputError if the file cannot be written.
    """
    from stl import Mode
    from stl.mesh import Mesh as StlMesh

    data = np.zeros(mesh.faces.shape[0], dtype=StlMesh.dtype)
    data["vectors"] = mesh.vertices[mesh.faces] / MILLIMETRE
    head = " ".join(plain(f"evenflare mm {title}").split()).encode("ascii")
    # The library writing to a file itself would not tell a full disk from any other trouble.
    content = BytesIO()
    StlMesh(data).save(path.name, fh=content, mode=Mode.BINARY)
    # Its header holds the time of day: the same design would never give the same file.
    content.seek(0)
    content.write(head[:80].ljust(80))
    with replacing(path) as temporary:
        temporary.write_bytes(content.getbuffer())
