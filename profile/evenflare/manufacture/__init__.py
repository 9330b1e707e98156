"""What a machinist pulls: the tool's path along the wall as points, and the solid as a mesh."""

from evenflare.manufacture.export import Exported, export
from evenflare.manufacture.offset import Reach, ToolPath, largest_tool_radius, tool_path
from evenflare.manufacture.outline import Sizes, SolidChoice, outline, solid_sizes
from evenflare.manufacture.points import PointList, points_text, write_points
from evenflare.manufacture.solid import Mesh, build, revolved, volume
from evenflare.manufacture.stl import SolidFile, write_solid, write_stl

__all__ = [
    "Exported",
    "Mesh",
    "PointList",
    "Reach",
    "Sizes",
    "SolidChoice",
    "SolidFile",
    "ToolPath",
    "build",
    "export",
    "largest_tool_radius",
    "outline",
    "points_text",
    "revolved",
    "solid_sizes",
    "tool_path",
    "volume",
    "write_points",
    "write_solid",
    "write_stl",
]
