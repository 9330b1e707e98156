"""[cabinet] of a loudspeaker's file: the cabinet in which all ways stand."""

from __future__ import annotations

from typing import Any

from pydantic import Field, ValidationError, model_validator

from evenflare.design.mounting import CABINET, Aside, MountingTable, Size
from evenflare.design.mounting import Side as Length
from evenflare.names import FileName
from evenflare.schema import Table, fault


class CabinetTable(Table):
    """[cabinet]: in which all ways stand, by its sizes, by its STL file, or by a design that stands in it."""

    design: FileName | None = None
    solid_stl: FileName | None = None
    width_mm: Length | None = Field(default=None, examples=[260])
    height_mm: Length | None = None
    depth_mm: Length | None = None
    edge_radius_mm: Size | None = None
    edge_chamfer_mm: Size | None = None
    front_edge_radius_mm: Size | None = None
    front_edge_chamfer_mm: Size | None = None
    waveguide_x_mm: Aside | None = None
    waveguide_y_mm: Aside | None = None

    @property
    def _sizes(self) -> dict[str, Any]:
        return {key: getattr(self, key) for key in ("solid_stl", *CABINET) if getattr(self, key) is not None}

    @model_validator(mode="after")
    def _one_box(self) -> CabinetTable:
        if self.design is not None:
            if self._sizes:
                raise fault(
                    f"design and {next(iter(self._sizes))} exclude each other: the design has its cabinet. Keep one"
                )
            return self
        try:
            self.mounting()
        except ValidationError as error:
            raise fault(error.errors()[0]["msg"]) from None
        return self

    def mounting(self) -> MountingTable:
        """The same as a design has it. ValidationError, as that says it, if the sizes are no cabinet's."""
        return MountingTable.model_validate({"kind": "cabinet", **self._sizes})
