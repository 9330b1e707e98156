"""A solid as a binary STL file in mm."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np

from evenflare.files import replacing
from evenflare.manufacture.oblong_sizes import OblongSizes
from evenflare.manufacture.oblong_solid import Thinnest
from evenflare.manufacture.outline import Sizes, SolidChoice, solid_sizes
from evenflare.manufacture.solid import Mesh, build, volume
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide


@dataclass(frozen=True)
class SolidFile:
    """What was written.

    path      : of the file.
    sizes     : of the solid, defaults filled in.
    triangles : number.
    volume    : m3, of the mesh.
    thinnest  : where an oblong part's material is thinnest; None for a round one.
    """

    path: Path
    sizes: Sizes | OblongSizes
    triangles: int
    volume: float
    thinnest: Thinnest | None = None


def write_solid(
    waveguide: Waveguide, solid: SolidChoice, path: Path, *, chord_error: float, design_id: str, name: str
) -> SolidFile:
    """Write the solid of a round `waveguide` as binary STL: mm, axis z, throat plane z = 0, front face at z = depth.

    chord_error     : m, see build.
    design_id, name : for the header.
    Errors          : InputError as solid_sizes and build, or if the file cannot be written.
    """
    sizes = solid_sizes(waveguide.meridian, solid)
    mesh = build(waveguide.meridian, sizes, chord_error=chord_error)
    write_stl(mesh, path, title=f"{design_id} {name}")
    return solid_file(path, sizes, mesh)


def solid_file(path: Path, sizes: Sizes | OblongSizes, mesh: Mesh, thinnest: Thinnest | None = None) -> SolidFile:
    """The facts of a mesh, for a report."""
    return SolidFile(path, sizes, mesh.faces.shape[0], volume(mesh), thinnest)


def write_stl(mesh: Mesh, path: Path, *, title: str) -> None:
    """Write a mesh as binary STL in mm, whole or not at all; the first of `title` stands in its 80 bytes of header.

    Errors: InputError if the file cannot be written.
    """
    from stl import Mode
    from stl.mesh import Mesh as StlMesh

    data = np.zeros(mesh.faces.shape[0], dtype=StlMesh.dtype)
    data["vectors"] = mesh.vertices[mesh.faces] / MILLIMETRE
    plain = " ".join(f"evenflare mm {title}".split()).encode("ascii", "replace")
    # The library writing to a file itself would not tell a full disk from any other trouble.
    content = BytesIO()
    StlMesh(data).save(path.name, fh=content, mode=Mode.BINARY)
    # Its header holds the time of day: the same design would never give the same file.
    content.seek(0)
    content.write(plain[:80].ljust(80))
    with replacing(path) as temporary:
        temporary.write_bytes(content.getbuffer())
