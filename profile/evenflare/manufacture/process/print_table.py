"""[print] of a process file: keys, units, ranges, and the values in SI that they stand for."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from evenflare.manufacture.process.machine_tables import Sizes, three
from evenflare.manufacture.process.types import Printing
from evenflare.schema import Table, number
from evenflare.units import DEGREE, MILLIMETRE, PERCENT


class PrintTable(Table):
    """[print]."""

    build_volume_mm: Sizes = Field(examples=[[220, 220, 250]])
    layer_mm: Annotated[float, number(0.01, 2)] = 0.2
    least_wall_mm: Annotated[float, number(0.1, 20)] = 1.2
    shrinkage_percent: Annotated[float, number(0, 5)] = Field(examples=[0.3])
    overhang_deg: Annotated[float, number(0, 89)] = 45.0
    pin_diameter_mm: Annotated[float, number(0, 20)] = 4.0
    pin_length_mm: Annotated[float, number(1, 100)] = 16.0
    pin_clearance_mm: Annotated[float, number(0, 2)] = 0.2

    def value(self) -> Printing:
        """In SI."""
        return Printing(
            build_volume=three(self.build_volume_mm),
            layer=self.layer_mm * MILLIMETRE,
            least_wall=self.least_wall_mm * MILLIMETRE,
            shrinkage=self.shrinkage_percent * PERCENT,
            overhang=self.overhang_deg * DEGREE,
            pin_diameter=self.pin_diameter_mm * MILLIMETRE,
            pin_length=self.pin_length_mm * MILLIMETRE,
            pin_clearance=self.pin_clearance_mm * MILLIMETRE,
        )
