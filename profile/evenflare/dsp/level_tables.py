"""Tables of a loudspeaker file that say how loud its ways can play, how their boxes fall off, and what is wanted."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from evenflare.dsp import alignments
from evenflare.dsp.alignments import LowAlignment
from evenflare.dsp.biquad import BUTTERWORTH
from evenflare.schema import Table, fault, number


class LevelTable(Table):
    """How loud one driver of a way is, and can be."""

    sensitivity_db: Annotated[float, number(50, 130)] | None = None
    impedance_ohm: Annotated[float, number(1, 100)] | None = None
    power_w: Annotated[float, number(0.1, 10e3)] | None = None
    excursion_mm: Annotated[float, number(0.01, 100)] | None = None
    level_limit_db: Annotated[float, number(50, 160)] | None = None

    @model_validator(mode="after")
    def _whole_power(self) -> LevelTable:
        if self.power_w is not None:
            for key, example in (("sensitivity_db", 88), ("impedance_ohm", 8)):
                if getattr(self, key) is None:
                    raise fault(f"{key}: missing; without it power_w says nothing of level. Add for example {example}")
        elif self.impedance_ohm is not None:
            raise fault("impedance_ohm: belongs to power_w, which is missing. Add it, or remove impedance_ohm")
        return self


class BoxTable(Table):
    """[woofer.box] and those of the other pistons: how its box lets it fall off."""

    alignment: Literal["closed", "vented"] = Field(examples=["closed"])
    frequency_hz: Annotated[float, number(5, 2000)] = Field(examples=[60])
    quality: Annotated[float, number(0.3, 3)] | None = None

    @model_validator(mode="after")
    def _quality_of_closed(self) -> BoxTable:
        _check_quality(self.alignment, self.quality)
        return self

    def value(self) -> LowAlignment:
        """What it says."""
        return _alignment(self.alignment, self.frequency_hz, self.quality)


class WholeRangeTable(Table):
    """[whole_range]: what the sum is to be from end to end."""

    alignment: Literal["closed", "vented", "assisted"] | None = Field(default=None, examples=["closed"])
    frequency_hz: Annotated[float, number(5, 500)] | None = None
    quality: Annotated[float, number(0.3, 3)] | None = None
    tilt_db_per_octave: Annotated[float, number(-3, 3)] = 0.0
    tilt_from_hz: Annotated[float, number(20, 20e3)] = 200.0
    from_hz: Annotated[float, number(10, 20e3)] | None = None
    to_hz: Annotated[float, number(100, 40e3)] | None = None
    sections: Annotated[int, number(1, 20, whole=True)] = 6
    boost_db: Annotated[float, number(0, 20)] = 6.0

    @model_validator(mode="after")
    def _whole_alignment(self) -> WholeRangeTable:
        if (self.alignment is None) != (self.frequency_hz is None):
            missing, example = (
                ("alignment", '"closed"') if self.alignment is None else ("frequency_hz", "40, where it is 3 dB down")
            )
            raise fault(f"{missing}: missing; alignment and frequency_hz go together. Add for example {example}")
        _check_quality(self.alignment, self.quality)
        return self

    def value(self) -> LowAlignment | None:
        """The alignment; None for that of the lowest way's box."""
        if self.alignment is None or self.frequency_hz is None:
            return None
        return _alignment(self.alignment, self.frequency_hz, self.quality)


def _check_quality(kind: str | None, quality: float | None) -> None:
    if quality is not None and kind != "closed":
        raise fault(f'quality = {quality:g}: is for alignment = "closed"; the others are maximally flat. Remove it')


def _alignment(kind: alignments.Kind, frequency: float, quality: float | None) -> LowAlignment:
    return alignments.alignment(kind, frequency, quality=BUTTERWORTH if quality is None else quality)
