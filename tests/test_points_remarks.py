"""Smoothing in design files, and what is said of rough points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from evenflare import read_design
from evenflare.commands import remarks
from evenflare.design.file import write_design
from evenflare.files import InputError
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, OblateSpheroidal, Oblong, Points, Waveguide
from evenflare.waveguide.profile import divided
from test_points_curve import along

MM = 1e-3
R0 = 12.7 * MM
DRIVER = "[driver]\nexit_diameter_mm = 25.4\n"


def rough(shape, amplitude, *, seed=0):
    """Rows of z and r in mm, 1 mm apart, with even noise."""
    points = along(shape.meridian(R0).pieces, 1 * MM) / MM
    points = points + np.random.default_rng(seed).uniform(-amplitude, amplitude, points.shape)
    # the throat and the mouth's plane are what they are
    points[0], points[-1, 0] = (0.0, R0 / MM), round(points[-1, 0])
    return points


def csv(path, rows):
    path.write_text("z_mm,r_mm\n" + "".join(f"{z:.4f},{r:.4f}\n" for z, r in rows))


def read(folder, text):
    (folder / "d.toml").write_text(text)
    return read_design(folder / "d.toml")


CONE = Conical(0.09, 40 * DEGREE)


class TestFiles:
    def test_a_csv_is_smoothed_where_the_file_says_so_and_reads_back_with_it(self, tmp_path):
        csv(tmp_path / "p.csv", rough(CONE, 0.05))
        plain = read(tmp_path, f'[waveguide]\nmeridian_csv = "p.csv"\n{DRIVER}').waveguide.shape
        design = read(tmp_path, f'[waveguide]\nmeridian_csv = "p.csv"\nsmooth_mm = 0.12\n{DRIVER}')
        shape = design.waveguide.shape
        assert (plain.smooth, shape.smooth) == (0.0, 0.12 * MM)
        assert plain.roughness > 1 * DEGREE
        assert shape.roughness < 0.05 * DEGREE
        write_design(design, tmp_path / "again.toml")
        assert "smooth_mm = 0.12" in (tmp_path / "again.toml").read_text()
        assert read_design(tmp_path / "again.toml").waveguide == design.waveguide

    def test_both_planes_of_an_oblong_wall_are_smoothed(self, tmp_path):
        for name, angle in (("h", 45), ("v", 30)):
            csv(tmp_path / f"{name}.csv", rough(Conical(0.09, angle * DEGREE), 0.02))
        text = f'[waveguide]\nhorizontal_csv = "h.csv"\nvertical_csv = "v.csv"\nsmooth_mm = 0.05\n{DRIVER}'
        shape = read(tmp_path, text).waveguide.shape
        assert (shape.horizontal.smooth, shape.vertical.smooth) == (0.05 * MM, 0.05 * MM)
        one = read(tmp_path, f'[waveguide.horizontal]\nmeridian_csv = "h.csv"\nsmooth_mm = 0.05\n'
                   f'[waveguide.vertical]\nmeridian_csv = "v.csv"\n{DRIVER}').waveguide.shape  # fmt: skip
        assert (one.horizontal.smooth, one.vertical.smooth) == (0.05 * MM, 0.0)

    def test_planes_sampled_without_their_joints_get_them_back(self):
        walls = OblateSpheroidal(0.09, 47 * DEGREE, 0.012), Conical(0.09, 28 * DEGREE, 0.012)
        sampled = [along(wall.meridian(R0).pieces, 1 * MM) for wall in walls]
        again = (Points(tuple(zip(p[:, 0].tolist(), p[:, 1].tolist(), strict=True))) for p in sampled)
        expected, found = (Waveguide(Oblong(*pair)).surface.cuts for pair in (walls, again))
        assert found == pytest.approx(expected, abs=0.03 * MM)

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("smooth_mm = -1\n", r"d\.toml \[waveguide\] smooth_mm = -1: must be .*0 to 5"),
            ("smooth_mm = 6\n", r"smooth_mm = 6: must be .*0 to 5"),
        ],
    )
    def test_tolerances_out_of_range_are_refused(self, tmp_path, text, message):
        csv(tmp_path / "p.csv", rough(CONE, 0.0))
        with pytest.raises(InputError, match=message):
            read(tmp_path, f'[waveguide]\nmeridian_csv = "p.csv"\n{text}{DRIVER}')

    def test_smoothing_without_points_is_refused(self, tmp_path):
        with pytest.raises(InputError, match=r"\[mounting\] smooth_mm: is for the points of a body\. Remove it"):
            read(
                tmp_path,
                f'[waveguide]\nfamily = "conical"\ndepth_mm = 90\nwall_angle_deg = 40\n{DRIVER}[mounting]\n'
                'kind = "free_standing"\noutline = "round_cabinet"\ndiameter_mm = 300\ndepth_mm = 250\nsmooth_mm = 1\n',
            )

    def test_a_rough_profile_round_to_the_axis_is_smoothed_in_both_its_parts(self):
        wall = rough(CONE, 0.03)
        rim = wall[-1]
        back = np.array([[rim[0], rim[1] + 40], [-40.0, rim[1] + 40], [-40.0, 0.0]])
        shape, body = divided(np.vstack([wall[:-1], [[rim[0] + 0.1, rim[1]]], back]) * MM, smooth=0.1 * MM)
        assert (shape.smooth, body.smooth) == (0.1 * MM, 0.1 * MM)
        meridian = shape.meridian(R0)
        assert len(body.pieces((float(meridian.ends.z[1]), meridian.mouth_radius), meridian.depth)) == 3


class TestWords:
    def said(self, shape):
        waveguide = Waveguide(shape)
        return remarks.corners_kept(waveguide), remarks.warnings(Path("d.toml"), waveguide)

    def points(self, amplitude, smooth=0.0):
        rows = rough(CONE, amplitude) * MM
        return Points(tuple(zip(rows[:, 0].tolist(), rows[:, 1].tolist(), strict=True)), smooth=smooth)

    def test_rough_points_are_warned_of_with_a_tolerance_that_is_ample(self):
        told, (warning,) = self.said(self.points(0.05))
        assert "smoothed" not in told
        assert warning.startswith("d.toml [waveguide] the points are rough: they leave a smooth curve by 0.0")
        value = float(warning.split("smooth_mm = ")[1].split(" ")[0])
        told, warnings = self.said(self.points(0.05, smooth=value * MM))
        assert warnings == []
        assert "smoothed, the wall leaves the points by up to 0.0" in told
        assert told.endswith(" rms")

    def test_a_tolerance_that_is_too_small_is_told(self):
        _, (warning,) = self.said(self.points(0.05, smooth=0.02 * MM))
        assert "the points are too rough for smooth_mm = 0.02" in warning

    def test_exact_points_are_not_remarked_on(self):
        told, warnings = self.said(self.points(0.0))
        assert warnings == []
        assert "smoothed" not in told
