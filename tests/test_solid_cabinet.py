"""Cabinets from STL files: what is read, what is refused by name, where a mouth fits, and what a design keeps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

import solids
from evenflare.design.file import Design, design_id, read_design, write_design
from evenflare.exterior.pistons import Piston
from evenflare.files import InputError
from evenflare.target.target import read_target
from evenflare.waveguide import Cabinet, SolidCabinet
from evenflare.waveguide.faces import SIDES, Side, found, front_middle, looking
from target_texts import GOOD as TARGET

TEXT = """[waveguide]
family = "conical"
depth_mm = 60
wall_angle_deg = 42
[driver]
exit_diameter_mm = 25.4
[mounting]
kind = "cabinet"
solid_stl = "cabinet.stl"
"""
"""Its mouth is 133.4 mm wide."""
BOX = solids.box(240, 380, 300)


def moved(mesh: trimesh.Trimesh, *, by: tuple[float, float, float] = (0, 0, 0), scale: float = 1.0) -> trimesh.Trimesh:
    found = mesh.copy()
    found.apply_scale(scale)
    found.apply_translation(by)
    return found


def design_in(folder: Path, mesh: trimesh.Trimesh, keys: str = "", *, text: bool = False) -> Design:
    solids.written(mesh, folder / "cabinet.stl", text=text)
    (folder / "d.toml").write_text(TEXT + keys)
    return read_design(folder / "d.toml")


def cabinet_of(design: Design) -> SolidCabinet:
    found = design.waveguide.mounting.cabinet
    assert isinstance(found, SolidCabinet)
    return found


def refused(folder: Path, mesh: trimesh.Trimesh, keys: str = "") -> str:
    with pytest.raises(InputError) as caught:
        cabinet_of(design_in(folder, mesh, keys))
    message = str(caught.value)
    assert str(folder / "d.toml") in message
    return message


class TestRead:
    @pytest.mark.parametrize("text", [False, True], ids=["binary", "text"])
    def test_wherever_it_lies(self, tmp_path: Path, text: bool) -> None:
        keys = "waveguide_x_mm = 10\nwaveguide_y_mm = 60\n"
        found = cabinet_of(design_in(tmp_path, moved(BOX, by=(500, 20, -10)), keys, text=text))
        # Single precision of half a metre: 3e-8.
        np.testing.assert_allclose(found.centre, [0.01, 0.06, 0.15], atol=1e-7)
        np.testing.assert_allclose(found.flat, [0.11, 0.13], atol=1e-7)
        assert found.volume == pytest.approx(0.24 * 0.38 * 0.3, rel=1e-6)
        assert found.reach == pytest.approx(0.5 * np.sqrt(0.24**2 + 0.38**2 + 0.3**2), rel=1e-6)
        assert found.widest == pytest.approx(np.hypot(0.13, 0.25), rel=1e-6)
        assert found.thickness == pytest.approx(0.3, rel=1e-6)

    def test_turned_inside_out_or_partly_is_turned(self, tmp_path: Path) -> None:
        inverted = BOX.copy()
        inverted.invert()
        mixed = BOX.copy()
        mixed.faces = np.where(np.arange(len(mixed.faces))[:, None] % 3 == 0, mixed.faces[:, ::-1], mixed.faces)
        plain = cabinet_of(design_in(tmp_path, BOX))
        for each in (inverted, mixed):
            found = cabinet_of(design_in(tmp_path, each))
            assert found.volume == pytest.approx(plain.volume, rel=1e-12)
            assert all(
                np.sum(face.normal * (face.ends[0, 0])) > 0.0 for face in found.solid.outlines
            )  # away from the middle

    def test_section_and_symmetry(self, tmp_path: Path) -> None:
        found = cabinet_of(design_in(tmp_path, solids.wedge(240, 380, 300), "waveguide_y_mm = 60\n"))
        assert found.symmetry == "none"
        assert cabinet_of(design_in(tmp_path, BOX, "waveguide_y_mm = 60\n")).symmetry == "left_right"
        assert cabinet_of(design_in(tmp_path, BOX, "waveguide_x_mm = 10\n")).symmetry == "none"
        assert cabinet_of(design_in(tmp_path, BOX)).symmetry == "two_planes"
        section = found.section
        # From above round the back to below: the back is 0.9 times as high as the front, and 4.8 mm higher.
        np.testing.assert_allclose(section[[0, -1]], [[0.0, 0.13], [0.0, -0.25]], atol=1e-5)
        behind = section[np.abs(section[:, 0] + 0.3) < 1e-5, 1]
        np.testing.assert_allclose(
            [behind.max(), behind.min()], [0.171 + 0.0048 - 0.06, -0.171 + 0.0048 - 0.06], atol=1e-5
        )


@pytest.mark.parametrize(
    ("mesh", "words"),
    [
        (trimesh.Trimesh(BOX.vertices, BOX.faces[1:]), "is not closed at"),
        (trimesh.util.concatenate([BOX, moved(BOX, by=(300, 0, 0))]), "falls into 2 surfaces"),
        (moved(BOX, scale=1e-3), "in metres? Then scale it by 1000"),
        (moved(BOX, scale=1 / 25.4), "in inches? Then scale it by 25.4"),
        (moved(BOX, scale=100.0), "must be from 40 to 5000"),
        (trimesh.creation.icosphere(3, 150), "has no flat front: the largest flat face toward +z is"),
        (
            moved(trimesh.creation.cone(150, 300)),
            "has no front: no flat face looks toward +z",
        ),
        (
            BOX.copy().apply_transform(trimesh.transformations.rotation_matrix(0.02, [1, 0, 0])),
            "has a tilted front: the largest flat face toward +z, 240 x 379.9 mm, is 1.15 degrees off it",
        ),
    ],
    ids=["open", "two", "metres", "inches", "huge", "ball", "tip", "tilted"],
)
def test_what_is_no_cabinet_is_refused_by_name(tmp_path: Path, mesh: trimesh.Trimesh, words: str) -> None:
    message = refused(tmp_path, mesh)
    assert words in message
    assert 'solid_stl = "cabinet.stl"' in message


def test_a_body_through_itself_is_refused(tmp_path: Path) -> None:
    """A box one of whose back corners is drawn out through the front."""
    crossed = BOX.subdivide().subdivide()
    vertices = crossed.vertices.copy()
    back = np.flatnonzero((np.abs(vertices[:, :2]) < 1.0).all(axis=1) & (vertices[:, 2] < -149.0))
    vertices[back] += [20.0, 20.0, 400.0]
    crossed.vertices = vertices
    assert "passes through itself at" in refused(tmp_path, crossed)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is no STL file"),
        (b"solid of nothing", "has 0 triangles: must have at least 4"),
        (b"\0" * 80 + (10**9).to_bytes(4, "little"), "its header says 1000000000 triangles"),
        (b"solid a\nvertex 1 2 3\nendsolid", "must be three for each triangle"),
        (b"solid a\n" + b"vertex 1 2 x\n" * 12, "a vertex that is no three numbers"),
        (b"solid a\n" + b"vertex 1 2 nan\n" * 12, "corners that are no numbers"),
    ],
)
def test_other_files_are_refused(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "cabinet.stl").write_bytes(content)
    (tmp_path / "d.toml").write_text(TEXT)
    with pytest.raises(InputError, match=words):
        read_design(tmp_path / "d.toml")


class TestPlace:
    def test_mouth_that_does_not_fit_is_told_what_would(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="does not fit on the flat front there, which holds 120 mm across"):
            design_in(tmp_path, BOX, "waveguide_x_mm = 60\n")

    def test_mouth_over_an_opening_or_beside_the_front(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="is not on the flat front, which reaches from -120 to 120 mm along x"):
            design_in(tmp_path, BOX, "waveguide_x_mm = 130\n")
        outline = shapely.box(-120, -190, 120, 190)
        hole = shapely.Point(0, 60).buffer(30)
        ring = trimesh.creation.extrude_polygon(outline.difference(hole), 80)
        with pytest.raises(InputError, match="is not on the flat front"):
            design_in(tmp_path, ring, "waveguide_y_mm = 60\n")
        # From the rim of the hole, 30 mm wide, to the mouth's centre.
        with pytest.raises(InputError, match="which holds 119.9 mm across|which holds 120 mm across"):
            design_in(tmp_path, ring, "waveguide_y_mm = -30\n")

    def test_body_must_be_deep_enough(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="is 50 mm deep behind the mouth's centre: must be at least 65"):
            design_in(tmp_path, solids.box(240, 380, 50))

    def test_oblong_mouth_counts_as_the_rectangle_about_it(self) -> None:
        cabinet = SolidCabinet(solids.solid(moved(BOX, scale=1e-3)), 0.0, 0.05)
        cabinet.check(0.12, 0.14, 0.1, is_round=False)
        with pytest.raises(ValueError, match="holds 228.5 mm wide and 280 high"):
            cabinet.check(0.12, 0.147, 0.1, is_round=False)

    def test_target_holds_its_limits_against_it(self, tmp_path: Path) -> None:
        solids.written(solids.box(240, 380, 300), tmp_path / "cabinet.stl")
        (tmp_path / "t.toml").write_text(f'{TARGET}\n[mounting]\nkind = "cabinet"\nsolid_stl = "cabinet.stl"\n')
        with pytest.raises(InputError, match="The cabinet must hold every mouth that .limits. allow"):
            read_target(tmp_path / "t.toml")

    def test_sizes_do_not_go_with_it(self, tmp_path: Path) -> None:
        assert "width_mm: does not belong to solid_stl" in refused(tmp_path, BOX, "width_mm = 240\n")


def test_a_design_that_is_written_has_its_cabinet_beside_it(tmp_path: Path) -> None:
    design = design_in(tmp_path, moved(solids.wedge(240, 380, 300), by=(100, 7, 3)), "waveguide_y_mm = 60\n", text=True)
    write_design(design, tmp_path / "elsewhere" / "best.toml")
    again = read_design(tmp_path / "elsewhere" / "best.toml")
    assert again.waveguide.mounting == design.waveguide.mounting
    assert design_id(again) == design_id(design)
    # By contents: another body has another id.
    assert design_id(design_in(tmp_path, BOX, "waveguide_y_mm = 60\n")) != design_id(design)


@pytest.fixture(scope="module")
def wedge(tmp_path_factory: pytest.TempPathFactory) -> SolidCabinet:
    made = cabinet_of(design_in(tmp_path_factory.mktemp("wedge"), solids.wedge(240, 380, 300)))
    assert isinstance(made, SolidCabinet)
    return made


class TestWays:
    """Pistons in the flat faces of any body. Sizes in mm come from a file of single precision."""

    @pytest.mark.parametrize("side", SIDES)
    def test_a_box_of_triangles_has_the_faces_of_the_box(self, tmp_path: Path, side: Side) -> None:
        cabinet = cabinet_of(design_in(tmp_path, BOX))
        found, wanted = (looking(each, side)[0] for each in (cabinet, Cabinet(0.24, 0.38, 0.3)))
        np.testing.assert_allclose(found.turn, wanted.turn, atol=1e-7)
        np.testing.assert_allclose(found.middle, wanted.middle, atol=1e-7)
        np.testing.assert_allclose(found.size, wanted.size, atol=1e-7)
        assert found.room(0.01, -0.02) == pytest.approx(wanted.room(0.01, -0.02), abs=1e-7)

    def test_a_tilted_face_is_found_by_side_direction_and_place(self, wedge: SolidCabinet) -> None:
        """The wedge's right: from x = 120 at the front to 120 * 0.8 + 16.8 = 112.8 at the back."""
        right = looking(wedge, "right")[0]
        normal = np.array([300.0, 0.0, -7.2]) / np.hypot(300.0, 7.2)
        np.testing.assert_allclose(right.turn[2], normal, atol=1e-6)
        # Right and up of one who looks at it: backward and up, in its plane.
        np.testing.assert_allclose(right.turn @ right.turn.T, np.eye(3), atol=1e-12)
        np.testing.assert_allclose(np.cross(right.turn[0], right.turn[1]), right.turn[2], atol=1e-12)
        assert right.turn[0, 2] < -0.99
        assert looking(wedge, (0.95, 0.05, 0.0))[0].turn[2] == pytest.approx(normal)
        # 60 mm above the front's middle and 100 behind it, on the face: x = 120 - 7.2 * 100 / 300.
        place = front_middle(wedge) + np.array([0.1176, 0.06, -0.1])
        which, x, y = found(wedge, "right", place)
        piston = Piston(wedge, "right", x, y, 0.05, which)
        np.testing.assert_allclose(piston.place, place, atol=1e-6)

    def test_a_place_beside_every_face_is_told_where_the_nearest_is(self, wedge: SolidCabinet) -> None:
        with pytest.raises(
            ValueError, match=r"the nearest is 49.99 mm from there, and \[117.6, 60, -98.8\] lies on it"
        ):
            found(wedge, "right", front_middle(wedge) + np.array([0.1676, 0.06, -0.1]))

    def test_of_two_faces_that_look_one_way_the_place_tells_which(self) -> None:
        """The angle piece has two backs: half of it is half as deep."""
        cabinet = SolidCabinet(solids.solid(solids.angle_piece(0.24, 0.3, 0.2)))
        deep, step = looking(cabinet, "back")
        assert {round(float(each.middle[2]), 6) for each in (deep, step)} == {-0.1, 0.0}
        for x, z in ((-0.06, -0.1), (0.06, 0.0)):
            place = np.array([x, 0.02, z])
            which, right, up = found(cabinet, "back", place)
            np.testing.assert_allclose(Piston(cabinet, "back", right, up, 0.03, which).place, place, atol=1e-9)
        # On the step, 40 mm from the wall that rises beside it.
        which, right, up = found(cabinet, "back", np.array([0.04, 0.0, 0.0]))
        with pytest.raises(ValueError, match="Make it 40 at most, or move it to where the face is wider"):
            Piston(cabinet, "back", right, up, 0.05, which)

    def test_what_has_no_place_is_refused_with_numbers(self, tmp_path: Path) -> None:
        cabinet = cabinet_of(design_in(tmp_path, BOX))
        assert Piston(cabinet, "front", 0.0, -0.08, 0.08).place == pytest.approx([0.0, -0.08, 0.15])
        assert Piston(cabinet, "left", 0.02, 0.0, 0.05).place == pytest.approx([-0.12, 0.0, 0.02])
        with pytest.raises(ValueError, match="Make it 90 at most, or move it"):
            Piston(cabinet, "front", 0.03, -0.08, 0.1)
        with pytest.raises(ValueError, match='face "left" at x_mm = 140, .* from -150 to 150 mm to its right'):
            Piston(cabinet, "left", 0.14, 0.0, 0.05)
        # A pyramid's sides look 45 degrees up: none of them to a side.
        pyramid = trimesh.convex.convex_hull(
            np.array(
                [[x, y, z] for z, half in ((-0.1, 0.02), (0.1, 0.22)) for x in (-half, half) for y in (-half, half)]
            )
        )
        with pytest.raises(
            ValueError, match=r"no flat face looks within 30 degrees of \[1, 0, 0\] .*; the nearest looks"
        ):
            Piston(SolidCabinet(solids.solid(pyramid)), "right", 0.0, 0.0, 0.02)

    def test_what_is_close_behind_a_face_counts_too(self) -> None:
        """A plate 42 mm thick: waves about a place in it are none nearer than its back."""
        cabinet = SolidCabinet(solids.solid(solids.box(0.3, 0.4, 0.042)))
        with pytest.raises(ValueError, match="Make it 42 at most"):
            Piston(cabinet, "front", 0.0, 0.0, 0.06)
