"""How true a process leaves a wall, as its file says it, and as it is written there once it was measured."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from evenflare.names import Name
from evenflare.schema import Table, number
from evenflare.units import MILLIMETRE, PERCENT
from evenflare.waveguide.accuracy import Accuracy

DIGITS = 6
"""Of a number that is written: far below what a measurement says."""


class AccuracyTable(Table):
    """[accuracy]: what the process does to a wall, over many units."""

    wall_bias_mm: Annotated[float, number(-5, 5)] = 0.0
    wall_spread_mm: Annotated[float, number(0, 5)] = Field(examples=[0.08])
    correlation_length_mm: Annotated[float, number(2, 500)] = Field(examples=[20])
    around: Literal["alike", "independent"] = Field(examples=["independent"])
    scale_bias_percent: Annotated[float, number(-5, 5)] = 0.0
    scale_spread_percent: Annotated[float, number(0, 5)] = 0.0
    throat_step_mm: Annotated[float, number(0, 2)] = 0.0
    source: Name = Field(examples=["invented; to be measured"])

    def value(self) -> Accuracy:
        """In SI."""
        return Accuracy(
            bias=self.wall_bias_mm * MILLIMETRE,
            spread=self.wall_spread_mm * MILLIMETRE,
            correlation_length=self.correlation_length_mm * MILLIMETRE,
            around=self.around,
            scale_bias=self.scale_bias_percent * PERCENT,
            scale_spread=self.scale_spread_percent * PERCENT,
            throat_step=self.throat_step_mm * MILLIMETRE,
            source=self.source,
        )


def accuracy_keys(accuracy: Accuracy) -> dict[str, float | str]:
    """The keys of [accuracy] that say this, in their units and order."""
    values: dict[str, float | str] = {
        "wall_bias_mm": accuracy.bias / MILLIMETRE,
        "wall_spread_mm": accuracy.spread / MILLIMETRE,
        "correlation_length_mm": accuracy.correlation_length / MILLIMETRE,
        "around": accuracy.around,
        "scale_bias_percent": accuracy.scale_bias / PERCENT,
        "scale_spread_percent": accuracy.scale_spread / PERCENT,
        "throat_step_mm": accuracy.throat_step / MILLIMETRE,
        "source": accuracy.source,
    }
    return {key: value if isinstance(value, str) else float(f"{value:.{DIGITS}g}") for key, value in values.items()}


def with_accuracy(text: str, accuracy: Accuracy) -> str:
    """The text of a process file with this in its [accuracy]; all else, comments too, stays as it is.

    Errors: ValueError if the text is no process file's, or the accuracy is outside what one may say.
    """
    import tomlkit
    from tomlkit.exceptions import ParseError

    keys = accuracy_keys(accuracy)
    AccuracyTable.model_validate(keys)  # pydantic's error is a ValueError
    try:
        document = tomlkit.parse(text)
    except ParseError as error:
        raise ValueError(f"the process file is not TOML: {error}") from None
    table = document.get("accuracy")
    if table is None:
        text = text if text.endswith("\n") else text + "\n"
        lines = "".join(f"{key} = {tomlkit.item(value).as_string()}\n" for key, value in keys.items())
        return f"{text}\n[accuracy]\n{lines}"
    if not isinstance(table, dict):
        raise ValueError("accuracy is no table in the process file")
    for key, value in keys.items():
        table[key] = value
    return tomlkit.dumps(document)
