"""A near field in a cabinet, through `measure`: against a piston in a box, whose pressure is known near and far.

Near it is the closed form of a baffle and the waves that the box's edges send back; far away, the box's outgoing ones.
Both are the operator's, which solves the box by itself for the waves of an opening, while `measure` solves throat, wall
and box of the design as one body. Invented data.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from commandline import said
from enclosures import one_thread  # noqa: F401
from evenflare.closed_forms import piston_axis_pressure
from evenflare.directivity.folder import read_directivity
from evenflare.exterior.cabinets import operator_of
from evenflare.exterior.pistons import Piston, piston_waves, radiated
from evenflare.exterior.waves import radial
from evenflare.units import DEGREE, ComplexArray, FloatArray, amplitude_db
from evenflare.waveguide.cabinet import Cabinet
from low_end_rigs import AIR, DRIVER, HIGHEST, NEAR, RIG, box, write_rig

RADIUS = 0.05
BOX = Cabinet(0.16, 0.22, 0.15)
"""The 3 dB point of its step lies near 400 Hz, in the overlap."""
DESIGN = f"""name = "invented driver in a box"
{DRIVER}[mounting]
kind = "cabinet"
width_mm = 160
height_mm = 220
depth_mm = 150
"""
FREQUENCY = np.geomspace(10.0, HIGHEST, 22)
"""Hz, between which the piston's pressure is drawn smooth, travel taken out."""
ANGLES = (0.0, 45.0, 90.0)


@cache
def exact() -> tuple[ComplexArray, ComplexArray]:
    """For 1 m/s at FREQUENCY: Pa on axis at NEAR, and (F, 2, 3) Pa m about the mouth at the rig's distance, in both
    planes at ANGLES.
    """
    k = 2 * np.pi * FREQUENCY / AIR.speed_of_sound
    (found,) = radiated([Piston(BOX, "front", 0.0, 0.0, RADIUS)], [k])
    strength = 0.5j * AIR.density * 2 * np.pi * FREQUENCY * RADIUS**2
    near = piston_axis_pressure(FREQUENCY, NEAR, radius=RADIUS, velocity=1.0, air=AIR)
    operator = operator_of(BOX, k, is_round=True)
    for i, (each, solved) in enumerate(zip(k, operator.responses, strict=True)):
        back = solved.back @ piston_waves(float(each), RADIUS, solved.mouth)
        j, _ = radial(np.array([each * NEAR]), int(solved.mouth.degree.max()), outgoing=False)
        near[i] += strength[i] * (back @ j[0, solved.mouth.degree])
    angle = np.array(ANGLES) * DEGREE
    flat = np.stack([np.sin(angle), 0 * angle, np.cos(angle)], axis=-1)
    places = RIG.distance * np.concatenate([flat, flat[:, [1, 0, 2]]])
    far = strength[:, None] * found.pressure_at(places)
    turned = far * RIG.distance * np.exp(1j * np.outer(k, np.full(6, RIG.distance)))
    return near, turned.reshape(-1, 2, 3)


def smooth(values: ComplexArray, frequency: FloatArray) -> ComplexArray:
    """At any frequency, from values (F,) at FREQUENCY over it: both parts are smooth then."""
    at = np.clip(frequency, FREQUENCY[0], FREQUENCY[-1])
    return np.asarray(CubicSpline(np.log(FREQUENCY), values / FREQUENCY)(np.log(at)) * at)


def far(frequency: FloatArray, azimuth: float, off_axis: float) -> ComplexArray:
    plane, angle = round(azimuth / (90 * DEGREE)), ANGLES.index(round(abs(off_axis) / DEGREE, 6))
    return np.where(frequency > 0.0, smooth(exact()[1][:, plane, angle], frequency), 0.0)


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("boxed")
    (folder / "design.toml").write_text(DESIGN)

    def near(frequency: FloatArray, distance: float) -> ComplexArray:
        assert distance == NEAR
        return smooth(exact()[0], frequency)

    return write_rig(
        folder,
        near,
        far,
        rig=replace(RIG, ground=0.0),  # the reflection's direction is none of those that are known
        design="design.toml",
        tables={"rig": {"mounting": "cabinet"}, "analysis": {"from_hz": 25, "to_hz": 2000, "per_octave": 6}},
        off_axis_deg=ANGLES,
        azimuth_deg=(0.0, 90.0),
        symmetry="two_planes",
    )


@pytest.mark.usefixtures("unpainted")
def test_the_step_of_a_cabinet_comes_from_the_design(
    measured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    code, told, _ = said(capsys, f"measure {measured} --out {out} --quiet")
    assert code == 0
    assert "near field joined over 250 to 500 Hz" in told
    found = json.loads((out / "session.json").read_text())["low_end"]
    assert found["scale_db"] == pytest.approx(26.0, abs=0.5)  # its gain, 0.05; the disc lies 5 mm deep
    seen = read_directivity(out / "full_range").directivity
    frequency = seen.observation.frequency
    low = (frequency > 30.0) & (frequency < 1000.0)
    assert seen.valid[low].all()
    on_axis = box(frequency) * smooth(exact()[1][:, 0, 0], frequency) / RIG.distance
    error = amplitude_db(np.abs(seen.on_axis / on_axis))
    # 0.15 dB: 0.1 as of the piston in a baffle, and a tube of 5 mm before the disc.
    assert np.abs(error[low]).max() < 0.15
    # Without the box's step the lowest frequencies would be off by nearly all of 6 dB.
    step = amplitude_db(np.abs(exact()[1][:, 0, 0] / exact()[0]))
    assert np.ptp(step[FREQUENCY < 700.0]) > 3.0
    # Other directions are the model's below the overlap: the box's, in both planes.
    below = frequency < 240.0
    for plane, azimuth in enumerate(seen.observation.plane[:2]):
        aside = int(np.argmin(np.abs(seen.observation.off_axis - 90 * DEGREE)))
        wanted = far(frequency, float(azimuth), 90 * DEGREE) / far(frequency, 0.0, 0.0)
        ratio = seen.pressure[:, plane, aside] / seen.on_axis
        np.testing.assert_allclose(amplitude_db(np.abs(ratio / wanted))[below], 0.0, atol=0.1)
