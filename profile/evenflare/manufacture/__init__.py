"""What a machinist pulls: the tool's path along the wall as points, and the solid as a mesh."""

from evenflare.manufacture.export import AZIMUTHS, Curves, Exported, export
from evenflare.manufacture.grid import Grid, around, grid
from evenflare.manufacture.nearest import Cloud, cloud
from evenflare.manufacture.oblong_curves import Curve, curve_at, section, section_depths
from evenflare.manufacture.oblong_offset import OblongPath, largest_ball, oblong_path
from evenflare.manufacture.oblong_sizes import OblongSizes, oblong_sizes, outside
from evenflare.manufacture.oblong_solid import Thinnest, build_oblong
from evenflare.manufacture.offset import Reach, ToolPath, largest_tool_radius, tool_path
from evenflare.manufacture.outline import Sizes, SolidChoice, outline, solid_sizes
from evenflare.manufacture.points import PointList, points_text, write_points
from evenflare.manufacture.solid import Mesh, build, revolved, volume
from evenflare.manufacture.stl import SolidFile, write_solid, write_stl

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
