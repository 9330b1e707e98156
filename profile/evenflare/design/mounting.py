"""The mounting in files that users write: baffle, sphere, cabinet, or the outside of a free-standing body."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from evenflare.design.solid_stl import read_solid
from evenflare.design.walls import (
    MOST_POINTS,
    Corner,
    Length,
    Smooth,
    corner_of,
    csv_file,
    csv_points,
    faults_at,
    in_metres,
)
from evenflare.files import InputError
from evenflare.names import FileName
from evenflare.schema import Table, fault, number, shown
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Body, BodyPoints, Cabinet, Edge, Mounting, RolledShell, RoundCabinet, SolidCabinet

SIZES: dict[str, dict[str, float | None]] = {
    "rolled_shell": {
        "rim_radius_mm": 20,
        "back_diameter_mm": 120,
        "back_depth_mm": 40,
        "back_edge_radius_mm": None,
    },
    "round_cabinet": {"diameter_mm": 300, "depth_mm": 250, "edge_radius_mm": None},
}
"""The sizes of each outline by key, with an example; None where one may be left out and is then 0."""
POINTS = ("body_csv", "body_points_mm")
OBLONG_BODY = 'Write outline = "rolled_shell" with its sizes, which follows the mouth, or kind = "cabinet" for a box'
"""What to do where a body takes a round mouth only."""
CABINET: dict[str, float | None] = {
    "width_mm": 260,
    "height_mm": 420,
    "depth_mm": 280,
    "edge_radius_mm": None,
    "edge_chamfer_mm": None,
    "front_edge_radius_mm": None,
    "front_edge_chamfer_mm": None,
    "waveguide_x_mm": None,
    "waveguide_y_mm": None,
}
"""The sizes of a rectangular cabinet, likewise."""

PLACE = ("waveguide_x_mm", "waveguide_y_mm")
"""Those of them that a cabinet of any shape has too."""

Size = Annotated[float, number(0, 5000)]
Side = Annotated[float, number(40, 5000)]
Aside = Annotated[float, number(-2500, 2500)]


class MountingTable(Table):
    """[mounting]."""

    elsewhere: ClassVar[Mapping[str, str]] = {
        "free_standing": 'is a kind of mounting. Write kind = "free_standing" instead'
    }
    kind: Literal["baffle", "sphere", "free_standing", "cabinet"] = "baffle"
    radius_mm: Annotated[float, number(20, 2000)] | None = None
    outline: Literal["rolled_shell", "round_cabinet"] | None = None
    rim_radius_mm: Size | None = None
    back_diameter_mm: Size | None = None
    back_depth_mm: Size | None = None
    back_edge_radius_mm: Size | None = None
    diameter_mm: Size | None = None
    depth_mm: Size | None = None
    edge_radius_mm: Size | None = None
    width_mm: Side | None = None
    height_mm: Side | None = None
    edge_chamfer_mm: Size | None = None
    front_edge_radius_mm: Size | None = None
    front_edge_chamfer_mm: Size | None = None
    waveguide_x_mm: Aside | None = None
    waveguide_y_mm: Aside | None = None
    solid_stl: FileName | None = None
    body_csv: FileName | None = None
    body_points_mm: (
        Annotated[
            list[Annotated[list[Length], Field(min_length=2, max_length=2)]],
            Field(min_length=2, max_length=MOST_POINTS),
        ]
        | None
    ) = None
    corner_deg: Corner | None = None
    smooth_mm: Smooth | None = None

    @property
    def points_place(self) -> str:
        """Where the points of a body stand, if it has any, as messages name it."""
        if self.body_csv is not None:
            return f"[mounting] body_csv = {shown(self.body_csv)}"
        return "[mounting] body_points_mm" if self.body_points_mm is not None else ""

    @property
    def round_only(self) -> str:
        """What a mouth that is not round cannot have as its body, and why, without a full stop; empty where it can."""
        if self.outline == "round_cabinet":
            return 'outline = "round_cabinet": must be "rolled_shell" for an oblong mouth, a cylinder takes a round one'
        if said := self._given(*POINTS):
            return f'{said[0]}: must be outline = "rolled_shell" for an oblong mouth, points give a body of revolution'
        return ""

    def _given(self, *keys: str) -> list[str]:
        return [key for key in keys if getattr(self, key) is not None]

    @model_validator(mode="after")
    def _consistent(self) -> MountingTable:
        if self.kind == "sphere" and self.radius_mm is None:
            raise fault("radius_mm: missing, a sphere has a radius. Add for example radius_mm = 150")
        if self.kind != "sphere" and self.radius_mm is not None:
            raise fault(f'radius_mm: does not belong to kind = "{self.kind}". Remove it, or write kind = "sphere"')
        bodies = self._given(
            "outline", *(key for sizes in SIZES.values() for key in sizes), *POINTS, "corner_deg", "smooth_mm"
        )
        boxes = self._given(*CABINET, "solid_stl")
        if self.kind == "cabinet":
            foreign, other = [key for key in bodies if key not in CABINET], "free_standing"
        elif self.kind == "free_standing":
            foreign, other = [key for key in boxes if key not in bodies], "cabinet"
        else:
            foreign, other = bodies or boxes, "free_standing" if bodies else "cabinet"
        if foreign:
            raise fault(f'{foreign[0]}: does not belong to kind = "{self.kind}". Remove it, or write kind = "{other}"')
        return self

    @model_validator(mode="after")
    def _one_box(self) -> MountingTable:
        if self.kind != "cabinet":
            return self
        if self.solid_stl is not None:
            if sizes := [key for key in self._given(*CABINET) if key not in PLACE]:
                raise fault(f"{sizes[0]}: does not belong to solid_stl, which has its sizes. Remove one of them")
            return self
        for key, example in CABINET.items():
            if example is not None and getattr(self, key) is None:
                raise fault(f"{key}: missing, a cabinet has one. Add for example {key} = {example:g}")
        for start in ("", "front_"):
            both = self._given(f"{start}edge_radius_mm", f"{start}edge_chamfer_mm")
            if len(both) == 2 and min(getattr(self, key) for key in both) > 0.0:
                raise fault(f"{both[0]} and {both[1]} exclude each other: remove one")
        box = self._cabinet
        sides = {key: getattr(self, key) for key in ("width_mm", "height_mm", "depth_mm")}
        for edge, start in ((box.edge, ""), (box.front_edge, "front_")):
            key = f"{start}edge_{'chamfer' if edge.chamfer > 0.0 else 'radius'}_mm"
            of = min(sides, key=lambda each: sides[each])
            if 2.0 * edge.size / MILLIMETRE >= sides[of]:
                raise fault(
                    f"{key} = {edge.size / MILLIMETRE:g}: must be below half of {of}, {sides[of] / 2:g}. Lower it, or"
                    " make the cabinet larger"
                )
        for axis, size in (("x", "width_mm"), ("y", "height_mm")):
            aside = getattr(self, f"waveguide_{axis}_mm") or 0.0
            largest = 0.5 * sides[size] - box.front_edge.size / MILLIMETRE
            if abs(aside) >= largest:
                raise fault(
                    f"waveguide_{axis}_mm = {aside:g}: must be within {largest:g} of the front's middle, where its flat"
                    f" part ends. Move the mouth, or raise {size}"
                )
        return self

    @property
    def _cabinet(self) -> Cabinet:
        """In SI."""
        size = {key: (getattr(self, key) or 0.0) * MILLIMETRE for key in CABINET}
        edge = Edge(size["edge_radius_mm"], size["edge_chamfer_mm"])
        given = self._given("front_edge_radius_mm", "front_edge_chamfer_mm")
        front = Edge(size["front_edge_radius_mm"], size["front_edge_chamfer_mm"]) if given else edge
        sides = size["width_mm"], size["height_mm"], size["depth_mm"]
        return Cabinet(*sides, edge, front, size["waveguide_x_mm"], size["waveguide_y_mm"])

    def _solid(self, path: Path, table: str) -> SolidCabinet:
        x, y = ((getattr(self, key) or 0.0) * MILLIMETRE for key in PLACE)
        return SolidCabinet(read_solid(path.parent, self.solid_stl or "", key=f"{path} [{table}] solid_stl"), x, y)

    @model_validator(mode="after")
    def _one_body(self) -> MountingTable:
        if self.kind != "free_standing":
            return self
        forms = self._given("outline", *POINTS)
        if len(forms) > 1:
            raise fault(f"{forms[0]} and {forms[1]} exclude each other: remove one")
        sizes = self._given(*(key for each in SIZES.values() for key in each))
        if self.outline is None:
            if sizes and forms:
                raise fault(f"{sizes[0]}: does not belong to {forms[0]}. Remove it")
            if sizes:
                names = " or ".join(f'"{name}"' for name, keys in SIZES.items() if sizes[0] in keys)
                raise fault(f"outline: missing beside {sizes[0]}. Add outline = {names}")
        else:
            what = f'outline = "{self.outline}"'
            own = SIZES[self.outline]
            for key in sizes:
                if key not in own:
                    raise fault(f"{key}: does not belong to {what}. Its sizes are {', '.join(own)}. Remove it")
            for key, example in own.items():
                if example is not None and key not in sizes:
                    raise fault(f"{key}: missing, {what} has one. Add for example {key} = {example:g}")
        for key in self._given("corner_deg", "smooth_mm"):
            if not self._given(*POINTS):
                raise fault(f"{key}: is for the points of a body. Remove it, or give body_csv")
        return self

    def value(self, path: Path, *, table: str = "mounting") -> Mounting:
        """In SI. `path` is the file's, from whose folder a CSV is sought; `table` is the name that the keys stand
        under there.

        InputError if nothing is said of a free-standing body, or its points give none; it names the CSV. InputError if
        the STL of a cabinet holds none.
        """
        if self.kind == "free_standing":
            return Mounting(body=self._body(path))
        if self.kind == "cabinet":
            return Mounting(cabinet=self._cabinet if self.solid_stl is None else self._solid(path, table))
        return Mounting(None if self.radius_mm is None else self.radius_mm * MILLIMETRE)

    def around(self, body: Body, path: Path, *, key: str) -> Mounting:
        """The mounting where a waveguide's own points, in [waveguide] `key`, go on round a body."""
        said = self._given("outline", *POINTS)
        if self.kind != "free_standing" and self.model_fields_set:
            raise InputError(
                f'{path} [mounting] kind = "{self.kind}": must be "free_standing", since [waveguide] {key} runs on past'
                " the mouth to the axis. Change it, or end the points at the mouth"
            )
        if said:
            raise InputError(
                f"{path} [mounting] {said[0]}: a body is given already, since [waveguide] {key} runs on past the mouth"
                f" to the axis. Remove {said[0]}, or end the points at the mouth"
            )
        return Mounting(body=body)

    def _body(self, path: Path) -> Body:
        if (named := self.named_body) is not None:
            return named
        if not self.points_place:
            raise InputError(
                f'{path} [mounting] outline: missing, kind = "free_standing" has a body. Add outline = "rolled_shell"'
                ' or "round_cabinet" with its sizes, or body_csv = "body.csv", or let [waveguide] meridian_csv run on'
                " round the back to the axis"
            )
        bounds = corner_of(self.corner_deg), (self.smooth_mm or 0.0) * MILLIMETRE
        start = f"{path} [mounting]"
        if self.body_csv is None:
            with faults_at(f"{start} body_points_mm"):
                return BodyPoints(in_metres(self.body_points_mm or []), *bounds)
        file = csv_file(path.parent, self.body_csv, key=f"{start} body_csv")
        with faults_at(str(file)):
            return BodyPoints(in_metres(csv_points(file, to_axis=True)), *bounds)

    @property
    def named_body(self) -> RolledShell | RoundCabinet | None:
        """In SI, if it has a named outline."""
        if self.outline is None:
            return None
        sizes = [(getattr(self, key) or 0.0) * MILLIMETRE for key in SIZES[self.outline]]
        return RolledShell(*sizes) if self.outline == "rolled_shell" else RoundCabinet(*sizes)
