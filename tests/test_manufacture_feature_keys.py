"""Keys of a design file for seat, rebate and edge: read, written back, refused where they do not go together."""

from __future__ import annotations

import pytest

from evenflare.design.file import Solid, read_design, write_design
from evenflare.files import InputError
from evenflare.manufacture.part.features import features_of
from feature_sets import REBATE, SEAT

DESIGN = """name = "shelf horn"
[waveguide]
family = "conical"
depth_mm = 90
wall_angle_deg = 42
[driver]
exit_diameter_mm = 25.4
[solid]
kind = "block"
"""
KEYS = """seat_diameter_mm = 88
seat_clearance_mm = 1
seat_depth_mm = 3
seat_bolt_circle_mm = 76.2
seat_bolts = 3
seat_hole_diameter_mm = 5
seat_hole_depth_mm = 8
"""


def test_the_keys_of_a_design_file_read_and_are_written_back(tmp_path):
    (tmp_path / "in.toml").write_text(DESIGN + KEYS + "rebate_width_mm = 7\nrebate_depth_mm = 4\n")
    design = read_design(tmp_path / "in.toml")
    assert features_of(design.solid) == features_of(Solid(**SEAT | REBATE))
    write_design(design, tmp_path / "out.toml")
    assert read_design(tmp_path / "out.toml").solid == design.solid


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ("seat_depth_mm = 3", "seat_diameter_mm: missing beside seat_depth_mm"),
        ("seat_diameter_mm = 90", "seat_depth_mm: missing beside seat_diameter_mm"),
        ("seat_diameter_mm = 90\nseat_bolts = 3", "seat_bolt_circle_mm: missing beside seat_bolts"),
        (
            "seat_diameter_mm = 90\nseat_depth_mm = 3\nseat_hole_depth_mm = 8",
            "seat_bolts: missing beside seat_hole_dep",
        ),
        ("rebate_width_mm = 5", "rebate_depth_mm: missing beside rebate_width_mm"),
        ("rebate_depth_mm = 5", "rebate_width_mm: missing beside rebate_depth_mm"),
        ("rebate_width_mm = 5\nrebate_depth_mm = 3\nedge_radius_mm = 4", "edge_radius_mm and rebate_width_mm exclude"),
        ("seat_diametre_mm = 90", "seat_diameter_mm"),
        ("edge_radius_mm = -1", "edge_radius_mm = -1"),
    ],
)
def test_keys_of_a_design_file_that_do_not_go_together_are_refused(keys, message, tmp_path):
    (tmp_path / "in.toml").write_text(DESIGN + keys + "\n")
    with pytest.raises(InputError, match=message):
        read_design(tmp_path / "in.toml")
