"""Proof of programs read back from disk: exported ones pass, and a fault put into a file is found with its place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenflare.design.file import Solid
from evenflare.files import InputError, write_text
from evenflare.manufacture import solid_sizes
from evenflare.manufacture.milling.finishing import finishing
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.roughing import roughing
from evenflare.manufacture.milling.seat import back
from evenflare.manufacture.milling.turning import turning
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Exponential, Waveguide

FLARE = Waveguide(Exponential(0.04, 0.04, 0.008))
SIZES = solid_sizes(FLARE.meridian, Solid(flange_diameter=120 * MM))
ROUTER, LATHE = read_process("router"), read_process("lathe")
GRID = 0.2 * MM


def written(folder, programs, process):
    paths = []
    for program in programs:
        paths.append(folder / f"{program.name}.nc")
        write_text(paths[-1], gcode(program, process, design_id="0a1b2c", name="small flare"))
    return paths


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """The text of the finishing program's file."""
    folder = tmp_path_factory.mktemp("programs")
    (path,) = written(folder, [finishing(FLARE, ROUTER, None)], ROUTER)
    return path.read_text(encoding="utf-8")


def test_exported_programs_of_the_router_pass(tmp_path):
    seat = replace(ROUTER.seat, diameter=90 * MM)
    process = replace(ROUTER, seat=seat)
    programs = [roughing(FLARE, process), finishing(FLARE, process, None), back(FLARE, process, across=120 * MM)]
    found = prove_files(FLARE, written(tmp_path, programs, process), process, sizes=SIZES, grid=GRID)
    assert found.passed
    assert [each.program for each in found.programs] == ["roughing", "finishing", "back"]
    assert [each.leftover_within for each in found.programs] == [None, True, True]
    assert [each.tool.name for each in found.programs] == ["bull 12", "ball 6", "flat 6"]
    assert all(each.datum.startswith("X0 Y0 on the axis of the waveguide") for each in found.programs)


@pytest.mark.parametrize("place", ["throat", "mouth"])
def test_planted_gouge_of_five_hundredths_in_a_file_is_found_with_its_place(tmp_path, finished, place):
    lines = finished.splitlines()
    # Cutting moves of the spiral give X and Y, and Z where it changed.
    spiral = [k for k, line in enumerate(lines) if line.startswith("X") and " Z" in line]
    chosen = spiral[len(spiral) // 40] if place == "mouth" else spiral[-len(spiral) // 40]
    words = {word[0]: float(word[1:]) for word in lines[chosen].split()}
    x, y, z = words["X"], words["Y"], words["Z"]
    z_wall, r_wall, normal_z, normal_r = _contact(x, y, z)
    # Moved by 0.05 mm against the normal, the ball cuts as deep.
    scale = (np.hypot(x, y) - 0.05 * normal_r) / np.hypot(x, y)
    lines.insert(chosen + 1, f"X{x * scale:.4f} Y{y * scale:.4f} Z{z - 0.05 * normal_z:.4f}")
    lines.insert(chosen + 2, f"X{x:.4f} Y{y:.4f} Z{z:.4f}")
    path = tmp_path / "finishing.nc"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (rough,) = written(tmp_path, [roughing(FLARE, ROUTER)], ROUTER)
    found = prove_files(FLARE, [rough, path], ROUTER, sizes=SIZES, grid=GRID)
    _, only = found.programs
    # A cell at most 0.14 mm off sees it shallower by up to 0.14^2 / 2 / 2.2 mm; the path itself stays off by as much
    # as its ridges allow, 3 um for straight moves.
    assert 0.05 * MM - 8e-6 < only.gouge.size < 0.05 * MM + 1e-6
    wanted = np.array([x * r_wall / np.hypot(x, y), y * r_wall / np.hypot(x, y), z_wall])
    assert np.linalg.norm(np.array(only.gouge.place) / MM - wanted) < 0.3
    depth = FLARE.depth / MM
    assert (z_wall < -0.9 * depth) if place == "throat" else (z_wall > -0.1 * depth)
    assert found.passed is (only.gouge.size <= ROUTER.tolerance)
    assert not replace(only, tolerance=0.04 * MM).accepted


def _contact(x, y, z):
    """Of a ball of 3 mm at a tip in mm: the wall's nearest place (z, r, mm) and its normal into the air."""
    wall = FLARE.meridian.dense
    fine = np.linspace(0.0, wall.z.size - 1.0, 200 * wall.z.size)
    wall_z, wall_r, angle = (
        np.interp(fine, np.arange(wall.z.size), values)
        for values in ((wall.z - FLARE.depth) / MM, wall.r / MM, wall.angle)
    )
    near = int(np.hypot(wall_z - (z + 3.0), wall_r - np.hypot(x, y)).argmin())
    return wall_z[near], wall_r[near], np.sin(angle[near]), -np.cos(angle[near])


@pytest.mark.parametrize("point", ["nose_centre", "imaginary_tip"])
def test_exported_turning_program_passes_with_the_bore_and_the_point_of_its_header(tmp_path, point):
    process = replace(LATHE, machine=replace(LATHE.machine, programmed_point=point))
    paths = written(tmp_path, turning(FLARE, process, behind=0.0), process)
    found = prove_files(FLARE, paths, process, sizes=SIZES)
    assert found.passed
    assert found.programs[-1].programmed_point == point
    assert found.programs[-1].leftover_within is True
    assert found.programs[-1].contacts == ()
    text = paths[0].read_text(encoding="utf-8")
    paths[0].write_text(text.replace("drill a bore of diameter", "leave a core of diameter"), encoding="utf-8")
    solid = prove_files(FLARE, paths, process, sizes=SIZES)
    assert {contact.what for contact in solid.programs[0].contacts} & {"rapid move", "bar"}
    assert not solid.passed


def test_rapid_move_put_into_a_file_is_found(tmp_path, finished):
    lines = finished.splitlines()
    end = next(k for k, line in enumerate(lines) if line == "M5")
    last = [line for line in lines[:end] if "Z" in line][-1]
    assert last.startswith("G0")
    path = tmp_path / "finishing.nc"
    path.write_text("\n".join([*lines[:end], "Z-10.0", "X50.0", "Z10.0", *lines[end:]]) + "\n", encoding="utf-8")
    (only,) = prove_files(FLARE, [path], ROUTER, sizes=SIZES, grid=GRID).programs
    assert "rapid move" in {contact.what for contact in only.contacts}
    assert not only.accepted


def test_file_that_is_no_program_of_a_process_is_refused(tmp_path):
    with pytest.raises(
        InputError,
        match=r"front\.nc: is no program of a process: must be one of roughing, rest, semi_finishing, finishing",
    ):
        prove_files(FLARE, [tmp_path / "front.nc"], ROUTER, sizes=SIZES)
