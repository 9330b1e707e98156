"""A family that the product does not have, told by its descriptor alone: solved, searched, read, written, exported."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import pytest

import commandline
from cheap_search import hidden_target, searched
from commandline import said
from evenflare import read_design, solve, write_design
from evenflare.directivity.types import Observation
from evenflare.files import InputError
from evenflare.search import history_rows
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import (
    FAMILIES,
    Family,
    Frame,
    Meridian,
    Oblong,
    Parameter,
    ParameterSpace,
    Points,
    Waveguide,
    families,
    family,
    registered,
)
from evenflare.waveguide.family import DEPTH

pytestmark = pytest.mark.usefixtures("compiled")


@dataclass(frozen=True)
class ParabolicWall:
    """r = r0 + z tan(angle) + z^2 / (2 radius) up to a depth, m and rad."""

    start: float
    depth: float
    angle: float
    radius: float

    def frame_at(self, t):
        z = self.depth * t
        slope = np.tan(self.angle) + z / self.radius
        stretch = np.hypot(1.0, slope)
        r = self.start + z * np.tan(self.angle) + z**2 / (2 * self.radius)
        return Frame(z, r, np.arctan(slope), 1 / (self.radius * stretch**3), self.depth * stretch)


@dataclass(frozen=True)
class Parabolic:
    family: ClassVar[str] = "parabolic"
    depth: float
    starting_angle: float
    parabola_radius: float

    def meridian(self, exit_radius):
        return Meridian((ParabolicWall(exit_radius, self.depth, self.starting_angle, self.parabola_radius),))


def member(size, extra):
    rise = size.mouth - size.exit_radius
    angle = min(extra[0], 0.9 * np.arctan(rise / size.depth))
    return Parabolic(size.depth, angle, size.depth**2 / (2 * (rise - size.depth * np.tan(angle))))


PARABOLIC = Family(
    "parabolic",
    "A parabola",
    Parabolic,
    (
        DEPTH,
        Parameter("starting_angle", "starting_angle_deg", (0, 60), DEGREE, default=0.0),
        Parameter("parabola_radius", "parabola_radius_mm", (1, 5000), MILLIMETRE, example=70),
    ),
    member,
    ranges=lambda limits, driver: {"starting_angle": (0.0, 40 * DEGREE)},
    values=lambda shape, meridian: (float(meridian.ends.angle[0]),),
)
TEXT = """
[waveguide]
family = "parabolic"
depth_mm = 90
starting_angle_deg = 10
parabola_radius_mm = 70
[driver]
exit_diameter_mm = 25.4
"""
MOUTH = 12.7 + 90 * np.tan(10 * DEGREE) + 90**2 / 140
"""mm, its radius: r0 + z tan(angle) + z^2 / (2 radius)."""
TARGET = commandline.TARGET.replace('["conical", "free"]', '["parabolic"]')


@pytest.fixture(autouse=True)
def _parabolic():
    with registered(PARABOLIC):
        yield


def test_added_family_is_read_and_written_exactly(read, tmp_path):
    design = read(TEXT)
    shape = design.waveguide.shape
    assert shape == Parabolic(90 * MILLIMETRE, 10 * DEGREE, 70 * MILLIMETRE)
    write_design(design, tmp_path / "again.toml")
    assert read_design(tmp_path / "again.toml").waveguide == design.waveguide
    assert 'family = "parabolic"' in (tmp_path / "again.toml").read_text()


def test_keys_of_an_added_family_are_judged(design_message):
    wrong = TEXT.replace("= 90", "= 9000").replace("parabola_radius_mm = 70", "wall_angle_deg = 40")
    found = design_message(wrong)
    assert "depth_mm = 9000: must be 5 to 1000" in found
    assert "parabola_radius_mm: missing. Add for example parabola_radius_mm = 70" in found
    assert 'wall_angle_deg = 40: does not belong to family = "parabolic"' in found


def test_unknown_family_is_told_with_the_added_one_among_the_known(design_message):
    assert '"free" or "parabolic". Did you mean parabolic?' in design_message(TEXT.replace("parabolic", "parabolik"))


def test_added_family_in_the_planes_of_an_oblong_waveguide(read, tmp_path):
    plane = TEXT.split("[driver]")[0].strip()
    horizontal, vertical = (plane.replace("[waveguide]", f"[waveguide.{name}]") for name in ("horizontal", "vertical"))
    design = read(f"{horizontal}\n{vertical.replace('= 70', '= 90')}\n[driver]\nexit_diameter_mm = 25.4\n")
    assert isinstance(design.waveguide.shape, Oblong)
    write_design(design, tmp_path / "again.toml")
    assert read_design(tmp_path / "again.toml").waveguide == design.waveguide


def test_added_family_is_solved(read):
    design = read(TEXT)
    seen = Observation(np.array([500.0, 2000.0, 6000.0]), np.arange(0, 91, 10) * DEGREE)
    z = np.linspace(0.0, 90.0, 181)
    points = zip(z, 12.7 + z * np.tan(10 * DEGREE) + z**2 / 140, strict=True)
    same = Points(tuple((MILLIMETRE * each, MILLIMETRE * radius) for each, radius in points))
    levels = [
        20 * np.log10(np.abs(solve(replace(design, waveguide=waveguide, observation=seen)).pressure))
        for waveguide in (design.waveguide, replace(design.waveguide, shape=same))
    ]
    # The curve through points of the formula leaves it by less than 1 um at half a millimetre's spacing.
    assert levels[0] == pytest.approx(levels[1], abs=0.02)


def test_added_family_is_searched_and_its_parameters_told(tmp_path, target_of):
    named = target_of(TARGET)
    assert named.families == ("parabolic",)
    wanted = hidden_target(family="parabolic", vector=(0.4, 0.6, 0.0, 0.3), families=("parabolic", "free"))
    result = searched(tmp_path / "run", wanted)
    assert {winner.family for winner in result.winners} == {"parabolic", "free"}
    row = next(row for row in history_rows(tmp_path / "run") if row["family"] == "parabolic")
    assert {"depth_mm", "mouth_diameter_mm", "starting_angle_deg", "parabola_radius_mm"} <= set(row)
    mouth = 12.7 + row["depth_mm"] * np.tan(row["starting_angle_deg"] * DEGREE)
    mouth += row["depth_mm"] ** 2 / (2 * row["parabola_radius_mm"])
    # The mouth is that of the parabola whose parameters the row tells, to rounding.
    assert row["mouth_diameter_mm"] == pytest.approx(2 * mouth, rel=1e-9)


def test_vector_of_an_added_family_and_back(target_of):
    target = target_of(TARGET)
    space = ParameterSpace("parabolic", target.limits)
    vector = np.array([0.3, 0.5, 0.0, 0.7])
    waveguide = space.waveguide(vector)
    # Bounds and vector are worked out by the same few products and quotients.
    assert space.vector(waveguide) == pytest.approx(vector, abs=1e-9)
    assert isinstance(waveguide, Waveguide)


def test_added_family_is_exported(here, capsys):
    (here / "horn.toml").write_text(TEXT)
    code, out, err = said(capsys, "export horn.toml --out out")
    assert (code, "internal" in err) == (0, False), out + err
    lines = [line for line in (here / "out" / "points.csv").read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    z, r = (np.array([float(row[name]) for row in rows]) for name in ("z_mm", "r_mm"))
    assert z[-1] == pytest.approx(90, abs=1e-6)  # the file's last digit
    # Points lie on the wall itself, to the file's last digit.
    assert r == pytest.approx(12.7 + z * np.tan(10 * DEGREE) + z**2 / 140, abs=2e-6)
    assert r[-1] == pytest.approx(MOUTH, abs=2e-6)
    assert re.search(r"parabolic", (here / "out" / "report.html").read_text())


def test_it_is_gone_afterwards(read):
    read(TEXT)
    with pytest.raises(ValueError, match="there is one of that name"), registered(PARABOLIC):
        pass
    assert families() == (*FAMILIES, "parabolic")
    assert family("parabolic") is PARABOLIC


def test_registered_family_ends_with_its_block(tmp_path):
    other = Family("other", "Another parabola", Parabolic, PARABOLIC.parameters, member)
    with registered(other):
        assert families()[-1] == "other"
    assert "other" not in families()
    (tmp_path / "design.toml").write_text(TEXT.replace("parabolic", "other"))
    with pytest.raises(InputError, match='family = "other": must be'):
        read_design(tmp_path / "design.toml")
