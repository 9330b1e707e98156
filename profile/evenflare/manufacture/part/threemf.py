"""A mesh as a 3MF file, which names its unit."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from xml.sax.saxutils import escape
from zipfile import ZIP_DEFLATED, BadZipFile, ZipFile, ZipInfo

from evenflare import __version__
from evenflare.files import replacing
from evenflare.manufacture.part.solid import Mesh
from evenflare.text import one_line
from evenflare.units import MILLIMETRE

_MODEL = "3D/3dmodel.model"
_EPOCH = (1980, 1, 1, 0, 0, 0)
"""The time of every member: the same mesh gives the same file."""
_XML = '<?xml version="1.0" encoding="UTF-8"?>\n'
_TYPES = (
    _XML + '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
)
_RELATIONS = (
    _XML + '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="model" Target="/3D/3dmodel.model"'
    ' Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


def write_3mf(mesh: Mesh, path: Path, *, title: str) -> None:
    """Write a mesh as 3MF in mm, to a nanometre, whole or not at all.

    Errors : InputError if the file cannot be written.
    Source : 3MF Core Specification 1.3, sections 2 (package) and 3 to 4 (model, mesh); OPC, ECMA-376 part 2.
    """
    content = BytesIO()
    members = {"[Content_Types].xml": _TYPES, "_rels/.rels": _RELATIONS, _MODEL: _model(mesh, title)}
    with ZipFile(content, "w", ZIP_DEFLATED, compresslevel=6) as package:
        for name, text in members.items():
            member = ZipInfo(name, _EPOCH)
            member.compress_type = ZIP_DEFLATED
            package.writestr(member, text.encode("utf-8"))
    with replacing(path) as temporary:
        temporary.write_bytes(content.getbuffer())


def read_model(path: Path, count: int) -> str:
    """The first characters, `count` bytes of them, of a file's model; empty if it is no such file."""
    try:
        with ZipFile(path) as package, package.open(_MODEL) as model:
            return model.read(count).decode("utf-8", errors="replace")
    except (BadZipFile, KeyError, OSError):
        return ""


def _model(mesh: Mesh, title: str) -> str:
    places = (mesh.vertices / MILLIMETRE).round(6) + 0.0
    vertices = "".join(f'<vertex x="{x:.6f}" y="{y:.6f}" z="{z:.6f}"/>\n' for x, y, z in places.tolist())
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>\n' for a, b, c in mesh.faces.tolist())
    named = escape(one_line(title))  # what XML 1.0 has no place for stands as an escape
    return (
        f'{_XML}<model unit="millimeter" xml:lang="en-US"'
        ' xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">\n'
        f'<metadata name="Title">{named}</metadata>\n'
        f'<metadata name="Application">evenflare {__version__}</metadata>\n'
        f'<resources><object id="1" type="model"><mesh>\n<vertices>\n{vertices}</vertices>\n'
        f"<triangles>\n{triangles}</triangles>\n</mesh></object></resources>\n"
        '<build><item objectid="1"/></build>\n</model>\n'
    )
