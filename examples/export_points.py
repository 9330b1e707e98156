"""Export the wall of a design as points, with the centre of a ball that rolls along it.

    python examples/export_points.py [DESIGN.toml] [POINTS.csv]

These are points, not a program: `evenflare export --process` writes programs, and proves them by cutting in software.
"""

from __future__ import annotations

import sys
from pathlib import Path

from evenflare import read_design
from evenflare.design.file import design_id
from evenflare.manufacture import write_points
from evenflare.units import MILLIMETRE

EXAMPLE = """
name = "invented cone"
[waveguide]
family = "conical"
depth_mm = 80
wall_angle_deg = 42
roundover_radius_mm = 15
[driver]
exit_diameter_mm = 25.4
"""

source = Path(sys.argv[1] if len(sys.argv) > 1 else "cone.toml")
if len(sys.argv) == 1:
    source.write_text(EXAMPLE, encoding="utf-8")
target = Path(sys.argv[2] if len(sys.argv) > 2 else "points.csv")

design = read_design(source)
written = write_points(
    design.waveguide,
    target,
    chord_error=0.05 * MILLIMETRE,
    tool_radius=3 * MILLIMETRE,
    design_id=design_id(design),
    name=design.name,
)
print(f"{written.rows} points from throat to mouth in {written.path}")
print(f"the largest ball that fits has a radius of {written.largest_tool_radius / MILLIMETRE:.1f} mm")
