"""What a machinist pulls: the tool's path along the wall as points, and the solid as a mesh."""

from evenflare.manufacture.part.oblong_sizes import OblongSizes, oblong_sizes, outside
from evenflare.manufacture.part.oblong_solid import Thinnest, build_oblong
from evenflare.manufacture.part.outline import Sizes, SolidChoice, outline, solid_sizes
from evenflare.manufacture.part.solid import Mesh, build, revolved, volume
from evenflare.manufacture.part.stl import SolidFile, write_solid, write_stl
from evenflare.manufacture.points.export import AZIMUTHS, Curves, Exported, export
from evenflare.manufacture.points.points import PointList, points_text, write_points
from evenflare.manufacture.wall.grid import Grid, around, grid
from evenflare.manufacture.wall.oblong_curves import Curve, curve_at, section, section_depths
from evenflare.manufacture.wall.oblong_offset import OblongPath, largest_ball, oblong_path
from evenflare.manufacture.wall.offset import Reach, ToolPath, largest_tool_radius, tool_path
from evenflare.waveguide.cloud import Cloud, cloud

__all__ = [
    "AZIMUTHS",
    "Cloud",
    "Curve",
    "Curves",
    "Exported",
    "Grid",
    "Mesh",
    "OblongPath",
    "OblongSizes",
    "PointList",
    "Reach",
    "Sizes",
    "SolidChoice",
    "SolidFile",
    "Thinnest",
    "ToolPath",
    "around",
    "build",
    "build_oblong",
    "cloud",
    "curve_at",
    "export",
    "grid",
    "largest_ball",
    "largest_tool_radius",
    "oblong_path",
    "oblong_sizes",
    "outline",
    "outside",
    "points_text",
    "revolved",
    "section",
    "section_depths",
    "solid_sizes",
    "tool_path",
    "volume",
    "write_points",
    "write_solid",
    "write_stl",
]
