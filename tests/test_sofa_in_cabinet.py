"""A design in a box as a SOFA file: above and below differ, left and right do not."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from evenflare import radiation
from evenflare.air import Air
from evenflare.directivity.folder import read_directivity
from evenflare.directivity.sofa import write_sofa
from evenflare.directivity.types import Observation, for_symmetry
from evenflare.units import DEGREE
from evenflare.waveguide import Cabinet, Conical, Mounting, Waveguide
from test_directivity_file import ID, assert_same_axes


def test_sofa_of_a_design_in_a_box_above_its_middle_keeps_left_right(tmp_path: Path) -> None:
    """Both sides of each plane are in the file, and what left_right leaves out of other planes is not made up."""
    boxed = Waveguide(Conical(0.04, 45 * DEGREE), mounting=Mounting(cabinet=Cabinet(0.18, 0.22, 0.15, y=0.02)))
    seen = for_symmetry(Observation(np.array([400.0, 500.0]), np.arange(0.0, 181.0, 30.0) * DEGREE), "left_right")
    wanted = radiation.solver("screen")(boxed, seen, Air())
    found = read_directivity(write_sofa(wanted, tmp_path / "a.sofa", name="boxed", design_id=ID, mounting="cabinet"))
    assert (found.mounting, found.directivity.observation.symmetry) == ("cabinet", "left_right")
    assert_same_axes(found.directivity, wanted, angle=1e-12)
    np.testing.assert_allclose(found.directivity.pressure, wanted.pressure, rtol=1e-12)  # doubles in the file
    upward = np.abs(wanted.pressure[:, 1])
    assert np.abs(upward / upward[:, ::-1] - 1.0)[:, 1:].max() > 0.01  # above and below do differ
