"""What is reported on: a piston's field, a target that asks for it, a history; and a page taken apart."""

from html.parser import HTMLParser
from typing import Any, Literal

import numpy as np
from matplotlib.text import Text

import evenflare
from evenflare.air import Air
from evenflare.closed_forms import piston_impedance, piston_index
from evenflare.directivity.types import Directivity, Observation
from evenflare.report.waveguide import page
from evenflare.target.target import Target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Limits, OblateSpheroidal, Waveguide
from known_sounds import piston_pressure

AIR = Air()
RADIUS = 60 * MILLIMETRE
WAVEGUIDE = Waveguide(OblateSpheroidal(90 * MILLIMETRE, 42 * DEGREE, 20 * MILLIMETRE))


def piston(*, step_deg: float = 5.0, frequencies: int = 25, distance: float = np.inf) -> Directivity:
    """A flat piston in a baffle; the last frequencies are not valid."""
    frequency = np.geomspace(300.0, 15000.0, frequencies)
    off_axis = np.arange(0.0, 180.1, step_deg) * DEGREE
    front = off_axis <= 90 * DEGREE + 1e-9
    pressure = np.zeros((frequencies, 1, off_axis.size), dtype=complex)
    pressure[:, 0, front] = piston_pressure(
        frequency, np.minimum(off_axis[front], 90 * DEGREE), radius=RADIUS, velocity=1.0, air=AIR
    )
    return Directivity(
        Observation(frequency, off_axis, distance=distance, reference_z=WAVEGUIDE.meridian.depth),
        pressure,
        frequency < 12000.0,
        AIR.density,
        AIR.speed_of_sound,
        half_space=True,
        throat_impedance=piston_impedance(2 * np.pi * frequency * RADIUS / AIR.speed_of_sound),
        error_estimate=np.full(frequencies, 0.0123),
        polar_error=np.full(frequencies, 0.0456),
        impedance_error=np.full(frequencies, 0.007),
        provenance={
            "version": evenflare.__version__,
            "solver": "closed form",
            "modes": np.int64(9),
            "bands": [{"to_hz": 1234.567, "modes": 6}, {"to_hz": 14010.75, "modes": 9}],
        },
    )


def target(
    index_kind: Literal["sphere", "sound_power"] = "sphere", *, offset: float = 0.0, limits: Limits | None = None
) -> Target:
    """The piston's own index from 1 to 10 kHz, plus an offset at 10 kHz, with a tolerance of half a dB."""
    frequency = np.geomspace(1000.0, 10000.0, 40)
    size = 2 * np.pi * frequency * RADIUS / AIR.speed_of_sound
    shift = offset * np.log(frequency / 1000.0) / np.log(10.0)
    return Target(
        name="the piston itself",
        driver=WAVEGUIDE.driver,
        mounting=WAVEGUIDE.mounting,
        air=AIR,
        index_kind=index_kind,
        frequency=frequency,
        index_db=piston_index(size) + shift,
        tolerance_db=np.full(40, 0.5),
        weight=np.ones(40),
        beamwidth=np.linspace(150, 20, 40) * DEGREE,
        crossover=None,
        limits=limits or Limits(),
    )


def history() -> list[dict[str, object]]:
    score = [3.0, 2.0, 0.1, None, 2.5, 1.0, 1.5]
    family = ["conical", "conical", "free", "free", "free", "free", "free"]
    return [
        {"number": i, "stage": "screen", "score": score[i], "feasible": i != 2, "family": family[i]} for i in range(7)
    ] + [{"number": 5, "stage": "full", "score": 1.1, "feasible": True, "family": "free"}]


class Page(HTMLParser):
    """Tags with their attributes, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "input"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] != ["script"]:
            self.words += data + " "


def shape_page(waveguide: Waveguide, **more: Any) -> str:
    text = page.report(waveguide, name="n", design_id="1", what="", command="", **more)
    return " ".join(Page(text).words.split())


def words_stand_clear(figure: Any, *, least: int) -> None:
    """The words in a picture's first drawing, at least so many, lie inside it and on no other; of an annotation too the
    words alone, without its arrow.
    """
    figure.draw_without_rendering()
    boxes = [Text.get_window_extent(text) for text in figure.axes[0].texts if text.get_text()]
    assert len(boxes) >= least
    for i, box in enumerate(boxes):
        assert figure.bbox.x0 <= box.x0 < box.x1 <= figure.bbox.x1
        assert figure.bbox.y0 <= box.y0 < box.y1 <= figure.bbox.y1
        assert not any(box.overlaps(other) for other in boxes[i + 1 :])
