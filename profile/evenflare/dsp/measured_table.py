"""[woofer.measured] and those of the other lower ways: the files of a driver that was measured in its box."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from evenflare.names import FileName
from evenflare.schema import Table, fault, number


class MeasuredTable(Table):
    """Responses of a driver in its box, as impulse responses (WAV) or as text: frequency, level and phase."""

    response: FileName = Field(examples=["woofer.txt"])
    distance_m: Annotated[float, number(0.05, 100)] = 1.0
    gate_ms: Annotated[float, number(0.5, 2000)] | None = None
    arrival: Literal["removed", "kept"] = "removed"
    near_field: FileName | None = None
    near_distance_mm: Annotated[float, number(0, 50)] = 5.0
    merge_hz: Annotated[float, number(20, 5000)] | None = None

    @model_validator(mode="after")
    def _whole(self) -> MeasuredTable:
        if (self.near_field is None) != (self.merge_hz is None):
            given, lacks = ("merge_hz", "near_field") if self.near_field is None else ("near_field", "merge_hz")
            raise fault(f"{given}: is given without {lacks}. Add that, or remove it")
        return self
