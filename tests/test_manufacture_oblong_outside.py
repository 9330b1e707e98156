"""An oblong body's outside on a router: the ball on the rim's tube in closed form, rings against a geometry library,
cut in software as asked, planted errors found, and what is widest in no plane refused.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from evenflare.design.file import Solid
from evenflare.files import write_text
from evenflare.manufacture import cloud, oblong_sizes
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.operations import operations
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Driver, Mounting, Oblong, RolledShell, Superellipse, Waveguide

RIM, DEPTH, BEHIND = 6 * MM, 20 * MM, 10 * MM
SOLID = Solid(kind="body", seat_diameter=40 * MM)
SHAPE = Oblong(Conical(DEPTH, 40 * DEGREE, 6 * MM), Conical(DEPTH, 28 * DEGREE, 6 * MM), Superellipse(2.5))
NAMES = ["outside_roughing", "outside_finishing", "outside_back_roughing", "outside_back_finishing"]


class Part:
    """A body and the programs of its outside."""

    def __init__(self, shell, **process):
        self.waveguide = Waveguide(SHAPE, Driver(), Mounting(body=shell))
        self.body, wall = self.waveguide.oblong_body, cloud(self.waveguide.surface)
        self.sizes = oblong_sizes(self.waveguide.surface, wall, SOLID, body=self.body)
        self.features = fitted(self.waveguide, self.sizes, features_of(SOLID), wall=wall)
        router = read_process("router")
        hold = replace(router.hold_down, **process)
        # Ridges of 0.02 mm: the outside asks for what was asked, and is cut and proved in less time.
        self.process = replace(router, seat=self.features.seat, hold_down=hold, scallop_height=0.02 * MM)
        found = operations(self.waveguide, self.process, self.sizes, self.features)
        self.left = found.left
        self.programs = {each.name: each for each in found.programs if each.name.startswith("outside")}

    def text(self, name):
        return gcode(self.programs[name], self.process, design_id="0a1b2c", name="free")

    def proved(self, folder, texts):
        paths = []
        for name, text in texts.items():
            paths.append(folder / f"{name}.nc")
            write_text(paths[-1], text)
        part = {"sizes": self.sizes, "features": self.features}
        found = prove_files(self.waveguide, paths, self.process, grid=0.6 * MM, **part)
        return {each.program: each for each in found.programs}


@pytest.fixture(scope="module")
def rolled():
    return Part(RolledShell(RIM, 54 * MM, BEHIND, 4 * MM))


def accepted(part, found):
    assert list(found) == NAMES
    assert part.left == ()
    for each in found.values():
        assert each.accepted, each
        assert 0.5 * MM < each.engagement.size <= each.engagement_stated < 8 * MM
        if "roughing" not in each.program:
            # Chords of 6 um on a convex outside cut in by as much, digits and the raster by a micrometre more.
            assert each.gouge.size < 10e-6
            assert each.leftover.size <= each.leftover_allowed == pytest.approx(0.025 * MM, abs=1e-6)


def test_every_program_leaves_what_is_asked_and_meets_no_more_than_it_states(rolled, tmp_path):
    accepted(rolled, rolled.proved(tmp_path, {name: rolled.text(name) for name in NAMES}))
