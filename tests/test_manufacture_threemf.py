"""3MF files, read back by trimesh, which did not write them."""

from __future__ import annotations

import zipfile

import numpy as np
import pytest
import trimesh

from evenflare.files import InputError
from evenflare.manufacture.part.solid import build, revolved, volume
from evenflare.manufacture.part.threemf import write_3mf
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Waveguide
from oblongs import MM, Choice


@pytest.fixture(scope="module")
def mesh():
    from evenflare.manufacture.part.outline import solid_sizes

    meridian = Waveguide(Conical(90 * MM, 42 * DEGREE, 20 * MM)).meridian
    return build(meridian, solid_sizes(meridian, Choice()), chord_error=0.1 * MM)


def test_3mf_reads_back_as_the_same_closed_mesh_in_millimetres(mesh, tmp_path):
    write_3mf(mesh, tmp_path / "solid.3mf", title="0a1b2c horn <front> & back")
    scene = trimesh.load(tmp_path / "solid.3mf")
    assert scene.units == "millimeter"
    read = scene.to_geometry()
    assert read.is_watertight
    assert read.is_winding_consistent
    assert len(read.faces) == len(mesh.faces)
    # Written to a nanometre.
    assert read.bounds == pytest.approx(np.array([mesh.vertices.min(0), mesh.vertices.max(0)]) / MM, abs=1e-6)
    assert read.volume == pytest.approx(volume(mesh) / MM**3, rel=1e-6)


def test_3mf_of_a_cylinder_with_a_bore_has_its_volume(tmp_path):
    ring = revolved(np.array([[0.0, 0.01], [0.05, 0.01], [0.05, 0.03], [0.0, 0.03]]), chord_error=1e-6)
    write_3mf(ring, tmp_path / "ring.3mf", title="ring")
    # pi (R^2 - r^2) h, less what 1 um of chord takes of 30 mm: 2/3 x 1/30000 of the area.
    exact = np.pi * (30**2 - 10**2) * 50
    assert trimesh.load(tmp_path / "ring.3mf").to_geometry().volume == pytest.approx(exact, rel=5e-5)


def test_3mf_package_has_the_parts_that_the_specification_asks_for(mesh, tmp_path):
    write_3mf(mesh, tmp_path / "solid.3mf", title="horn & <front>")
    with zipfile.ZipFile(tmp_path / "solid.3mf") as package:
        assert package.testzip() is None
        assert package.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
        model = package.read("3D/3dmodel.model").decode("utf-8")
    assert '<model unit="millimeter"' in model
    assert "horn &amp; &lt;front&gt;" in model


def test_the_same_mesh_gives_the_same_3mf(mesh, tmp_path):
    for name in ("one", "two"):
        write_3mf(mesh, tmp_path / f"{name}.3mf", title="horn")
    assert (tmp_path / "one.3mf").read_bytes() == (tmp_path / "two.3mf").read_bytes()


def test_3mf_that_cannot_be_written_is_refused(mesh, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_3mf(mesh, tmp_path / "file" / "solid.3mf", title="horn")
