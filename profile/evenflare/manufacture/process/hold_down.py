"""[hold_down] of a process: how a part is held while it is cut out of larger stock."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from evenflare.manufacture.process.types import HoldDown
from evenflare.names import Name
from evenflare.schema import Table, fault, number
from evenflare.units import MILLIMETRE


class HoldDownTable(Table):
    """[hold_down]."""

    kind: Literal["tabs", "onion_skin", "free"] = Field(examples=["tabs"])
    by: Name = Field(examples=["screws through the waste"])
    margin_mm: Annotated[float, number(1, 500)] = Field(examples=[40])
    tabs: Annotated[int, number(2, 24, whole=True)] | None = None
    tab_width_mm: Annotated[float, number(1, 100)] | None = None
    tab_height_mm: Annotated[float, number(0.5, 50)] | None = None
    skin_mm: Annotated[float, number(0.1, 20)] | None = None
    pin_diameter_mm: Annotated[float, number(2, 30)] | None = None

    @model_validator(mode="after")
    def _consistent(self) -> HoldDownTable:
        needed: dict[str, dict[str, float]] = {
            "tabs": {"tabs": 4, "tab_width_mm": 12, "tab_height_mm": 4},
            "onion_skin": {"skin_mm": 0.8},
            "free": {},
        }
        for kind, keys in needed.items():
            for key, example in keys.items():
                given = getattr(self, key) is not None
                if given and kind != self.kind:
                    raise fault(f'{key}: belongs to kind = "{kind}", this is "{self.kind}". Remove it')
                if not given and kind == self.kind:
                    raise fault(f'{key}: missing beside kind = "{kind}". Add for example {key} = {example:g}')
        return self

    def value(self) -> HoldDown:
        """In SI."""
        return HoldDown(
            kind=self.kind,
            by=self.by,
            margin=self.margin_mm * MILLIMETRE,
            tabs=self.tabs or 0,
            tab_width=(self.tab_width_mm or 0.0) * MILLIMETRE,
            tab_height=(self.tab_height_mm or 0.0) * MILLIMETRE,
            skin=(self.skin_mm or 0.0) * MILLIMETRE,
            pin_diameter=(self.pin_diameter_mm or 0.0) * MILLIMETRE,
        )
