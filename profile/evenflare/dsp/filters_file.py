"""`equaliser.json`: the filters of an equaliser, written and read back."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from evenflare.dsp.biquad import Biquad, response
from evenflare.dsp.fit import FittedSections
from evenflare.files import InputError, is_folder, short
from evenflare.names import name_in
from evenflare.parsing import read_json
from evenflare.schema import shown
from evenflare.units import ComplexArray

FILE = "equaliser.json"
SIGNS = (
    "y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2], a0 = 1: a1 and a2 are subtracted. Where a"
    " processor adds them, give both the opposite sign"
)
"""Said wherever coefficients are written."""
AGAIN = "Write it again, with evenflare equalise"


@dataclass(frozen=True)
class Equaliser:
    """The filters that a file holds.

    name, design_id : of the design or measurement that it is for.
    band            : Hz, from and to where it is fitted.
    sections        : by sample rate in Hz.
    fir             : WAV files by sample rate.
    path            : the file.
    """

    name: str
    design_id: str
    band: tuple[float, float]
    sections: Mapping[int, tuple[Biquad, ...]]
    fir: Mapping[int, Path]
    path: Path

    def response(self, frequency: ArrayLike) -> ComplexArray:
        """Complex response of the sections, shaped as `frequency` (Hz), at the highest sample rate.

        ValueError above half of that rate.
        """
        rate = max(self.sections)
        if np.max(frequency, initial=0.0) > 0.5 * rate:
            raise ValueError(f"{np.max(frequency):g} Hz: must be at most {0.5 * rate:g}, half the highest sample rate")
        return response(self.sections[rate], frequency, sample_rate=rate)


def sections_record(fitted: FittedSections) -> dict[str, list[dict[str, Any]]]:
    """Sections by sample rate, in plain values."""
    return {
        str(rate): [
            {
                "kind": section.kind,
                "frequency_hz": section.frequency,
                "gain_db": section.gain,
                "quality": section.quality,
                "b": section.at_sample_rate(rate).b.tolist(),
                "a": section.at_sample_rate(rate).a.tolist(),
            }
            for section in sections
        ]
        for rate, sections in fitted.sections.items()
    }


def read_equaliser(path: Path) -> Equaliser:
    """The filters of a file, or of the one in a folder that `equalise` wrote.

    Errors: InputError if it is missing, broken, or holds no sections.
    """
    file = path / FILE if is_folder(path) else path
    record = read_json(file, remedy=AGAIN)
    try:
        sections = {
            _rate(rate): tuple(Biquad(np.array(each["b"]), np.array(each["a"])) for each in rows)
            for rate, rows in record["sections"].items()
        }
        fir = {_rate(rate): file.parent / each["wav"] for rate, each in record["fir"]["files"].items()}
        band = float(record["aim"]["from_hz"]), float(record["aim"]["to_hz"])
        name, identity = (name_in(record[key], file=file, key=key) for key in ("name", "design_id"))
        found = Equaliser(name, identity, band, sections, fir, file)
    except InputError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"{file}: is not a file of filters ({short(str(error))}). {AGAIN}") from None
    if not sections:
        raise InputError(f"{file} sections: holds none. {AGAIN}")
    if not 0.0 < band[0] < band[1] < np.inf:
        raise InputError(f"{file} aim: from {band[0]:g} to {band[1]:g} Hz is no band. {AGAIN}")
    return found


def _rate(text: str) -> int:
    """A sample rate as a key. ValueError if it is none."""
    if not re.fullmatch(r"[1-9][0-9]{2,6}", text):
        raise ValueError(f"{shown(text)}: must be a sample rate, as 48000")
    return int(text)
