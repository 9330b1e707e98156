"""A reading close to the mouth joined to the gated far field: against sources whose pressure is known everywhere."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from commandline import said
from evenflare.commands.near_model import near_model
from evenflare.design.file import read_design
from evenflare.directivity.folder import read_directivity
from evenflare.directivity.types import Observation
from evenflare.files import InputError
from evenflare.measurement.assemble import assemble
from evenflare.measurement.low_end import low_end
from evenflare.measurement.near_field_model import baffled_piston
from evenflare.measurement.session import read_session
from evenflare.units import REFERENCE_PRESSURE, amplitude_db
from low_end_rigs import (
    AIR,
    DRIVER,
    RIG,
    box,
    cap_angles,
    cap_axis,
    far_pattern,
    near_record,
    piston_angles,
    piston_axis,
    write_rig,
)
from near_field import cap_near

RADIUS = 0.1
BALL, EXIT = 0.15, 0.05
HALF = float(np.arcsin(EXIT / BALL))
DESIGN = f"""name = "invented ball"
{DRIVER}[mounting]
kind = "sphere"
radius_mm = 150
"""
PLACE = {"off_axis_deg": (0, 45, 90), "azimuth_deg": (0.0,), "symmetry": "round"}
ASKED = {"from_hz": 20, "to_hz": 2500, "per_octave": 12}


def truth(axis, frequency):
    return amplitude_db(box(frequency) * axis(frequency, RIG.distance) / REFERENCE_PRESSURE)


def write_piston(folder, **more):
    tables = {"rig": {"mounting": "baffle"}, "analysis": ASKED, **more.pop("tables", {})}
    keys = {"radius_mm": 100, **more.pop("near_keys", {})}
    pattern = far_pattern(piston_axis(RADIUS), piston_angles(RADIUS), RIG.distance)
    return write_rig(folder, piston_axis(RADIUS), pattern, tables=tables, near_keys=keys, **PLACE, **more)


def joined(path):
    session = read_session(path)
    found = assemble(session)
    design = None if session.design is None else read_design(session.design)
    gate = found.findings["gate"]["length_ms"] * 1e-3
    return low_end(session, found.directivity, found.budgets["on_axis_level"], near_model(session, design), gate=gate)


@pytest.fixture(scope="module")
def piston(tmp_path_factory):
    return write_piston(tmp_path_factory.mktemp("piston"))


@pytest.fixture(scope="module")
def ball(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ball")
    (folder / "design.toml").write_text(DESIGN)
    axis = cap_axis(BALL, HALF)
    return write_rig(
        folder,
        axis,
        far_pattern(axis, cap_angles(BALL, HALF), RIG.distance),
        design="design.toml",
        tables={"rig": {"mounting": "sphere"}, "analysis": ASKED},
        **PLACE,
    )


def test_a_piston_in_a_baffle(piston):
    """Keele's near field: on axis exact (Kinsler et al., section 7.4), level and phase down to 20 Hz."""
    low = joined(piston)
    frequency = low.directivity.observation.frequency
    assert low.directivity.valid.all()
    error = amplitude_db(np.abs(low.directivity.on_axis)) - amplitude_db(REFERENCE_PRESSURE)
    error -= truth(piston_axis(RADIUS), frequency)
    # 0.1 dB: what the gate's end leaves of the overlap's ripple, and noise; 0.3 at 20 Hz, 16 dB down in the noise.
    assert np.abs(error[frequency > 30.0]).max() < 0.1
    assert np.abs(error).max() < 0.3
    gained = low.findings["scale_db"]
    assert gained == pytest.approx(-amplitude_db(0.05), abs=0.1)  # the near recorder's gain
    # The gated reading alone is off by what the gate cuts: lower ends are not trusted there at all.
    assert not np.isfinite(low.gated[frequency < 100.0]).any()
    turned = np.angle(low.directivity.on_axis / (box(frequency) * piston_axis(RADIUS)(frequency, RIG.distance)))
    kept = frequency > 30.0
    turned = np.unwrap(turned)[kept]
    line = np.polyfit(frequency[kept], turned, 1)  # phase counts from the arrival, which is no zero of time
    assert np.ptp(turned - np.polyval(line, frequency[kept])) < 0.06  # rad: as 0.1 dB of the level, either way
    assert abs(line[1]) < 0.03  # no turn of its own: the near field's polarity and delay are the gated reading's


def test_the_step_of_a_sphere_comes_from_the_design(ball):
    """The design solved by boundary elements; truth is the series of a cap on a sphere."""
    low = joined(ball)
    frequency = low.directivity.observation.frequency
    error = amplitude_db(np.abs(low.directivity.on_axis) / REFERENCE_PRESSURE) - truth(cap_axis(BALL, HALF), frequency)
    # 0.1 dB: as the piston; a tube of 5 mm and a flat disc are no cap, alike at all frequencies but for 0.05 dB.
    assert np.abs(error[frequency > 30.0]).max() < 0.1
    step = amplitude_db(low.model.ratio)
    at = np.searchsorted(frequency, (30.0, 500.0))
    assert step[at[1]] - step[at[0]] > 2.5  # without the step the low end would be so much too high
    # Other directions below the overlap are the model's: the sphere's own at the same distance about the same point.
    told = np.abs(low.directivity.pressure[:, 0, 2] / low.directivity.on_axis)
    below = frequency < 250.0
    aside = cap_near(
        Observation(frequency[below], np.array([0.0, 0.5 * np.pi]), distance=RIG.distance),
        radius=BALL,
        half_angle=HALF,
        air=AIR,
        degrees=40,
    ).pressure[:, 0]
    # 0.1 dB: the mouth's plane lies 9 mm behind the cap's pole, which is 0.04 dB of 2 m and grows with frequency.
    np.testing.assert_allclose(amplitude_db(told[below]), amplitude_db(aside[:, 1] / aside[:, 0]), atol=0.1)


def test_a_baffle_in_place_of_a_sphere_shows_in_the_overlap(ball):
    """The wrong model is told by the slant between both readings, which goes into the budget."""
    session = read_session(ball)
    found = assemble(session)
    low = low_end(session, found.directivity, found.budgets["on_axis_level"], baffled_piston(EXIT), gate=9e-3)
    part = {each.name: each.size for each in low.budget.parts}["model"]
    frequency = low.directivity.observation.frequency
    assert low.findings["slant_db_per_octave"] > 1.0
    assert part[frequency < 100.0].min() > 0.5


def test_an_inverted_reading_is_turned_and_told(piston):
    samples, _ = soundfile.read(piston.parent / "near.wav")
    session = read_session(piston)
    near = replace(session.near, reading=replace(session.near.reading, samples=-samples))
    found = assemble(session)
    plain, turned = (
        low_end(each, found.directivity, found.budgets["on_axis_level"], baffled_piston(RADIUS), gate=9e-3)
        for each in (session, replace(session, near=near))
    )
    assert turned.findings["inverted"]
    assert not plain.findings["inverted"]
    assert any("near.wav: is of the other polarity" in each for each in turned.warnings)
    np.testing.assert_allclose(turned.directivity.on_axis, plain.directivity.on_axis, rtol=1e-9)


def test_the_near_field_is_in_the_budget_where_it_applies(piston):
    low = joined(piston)
    frequency, parts = low.directivity.observation.frequency, {each.name: each.size for each in low.budget.parts}
    for name in ("scale", "model", "near_field", "near_noise"):
        assert np.all(parts[name][frequency >= 500.0] == 0.0)
        assert np.all(parts[name][frequency < 250.0] > 0.0), name
    for name in ("gate", "noise"):
        assert np.all(parts[name][frequency < 250.0] == 0.0)
    # JCGM 100, eq. 10.
    np.testing.assert_allclose(low.budget.combined, np.sqrt(sum(each**2 for each in parts.values())), rtol=1e-12)
    assert {each.kind for each in low.budget.parts if each.name in ("scale", "near_noise")} == {"A"}


def test_intervals_hold_over_places_and_noise(piston):
    """The microphone's place 1 mm (standard) off, noise anew: distance and calibration, not drawn, left out."""
    session = read_session(piston)
    found = assemble(session)
    rng = np.random.default_rng(5)
    inside, errors = [], []
    for seed in range(12):
        samples = near_record(
            piston_axis(RADIUS),
            gain=1.0,
            delay=1e-3,
            noise_db=-65.0,
            seed=seed,
            distance=max(5e-3 + rng.normal(scale=1e-3), 1e-3),
        )
        near = replace(session.near, reading=replace(session.near.reading, samples=samples))
        low = low_end(
            replace(session, near=near),
            found.directivity,
            found.budgets["on_axis_level"],
            baffled_piston(RADIUS),
            gate=found.findings["gate"]["length_ms"] * 1e-3,
        )
        frequency = low.directivity.observation.frequency
        kept = [each for each in low.budget.parts if each.name not in ("microphone", "distance", "position", "drift")]
        half = replace(low.budget, parts=tuple(kept)).expanded()
        error = amplitude_db(np.abs(low.directivity.on_axis) / REFERENCE_PRESSURE)
        error -= truth(piston_axis(RADIUS), frequency)
        below = low.directivity.valid & (frequency < 250.0)
        inside.append(np.abs(error[below]) <= half[below])
        errors.append(error[below])
    share = float(np.mean(np.concatenate(inside)))
    # The scale's part is of one gate and rig here, the same in all draws: 0.90 to 1.
    assert share >= 0.9
    assert float(np.sqrt(np.mean(np.concatenate(errors) ** 2))) > 0.02  # there is something to cover


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"overlap": (60.0, 400.0)},
            r"overlap_from_hz = 60: must be at least 1\d\d, the lowest frequency that the gated",
        ),
        ({"overlap": (400.0, 1500.0)}, r"overlap_to_hz = 1500: must be at most 1088, above which the pressure"),
        (
            {"overlap": (300.0, 320.0)},
            r"\[near_field\] overlap_to_hz = 320: must be at least 1.25 times overlap_from_hz",
        ),
        ({"tables": {"rig": {"mounting": "free_standing"}}}, r"radius_mm: is of a piston in a baffle, and the source"),
        (
            {"tables": {"analysis": {**ASKED, "from_hz": 260}}},
            r"260 Hz is the lowest frequency asked for: must be below",
        ),
        ({"near_keys": {"length_ms": 3000}}, r"length_ms = 3000: must be at most 99\d, as long as near.wav lasts"),
        ({"near_keys": {"file": "other.wav"}}, r"other.wav"),
        ({"near_keys": {"distance_mm": 0}}, r"distance_mm = 0: must be 1 to 100"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, change, message):
    path = write_piston(tmp_path, **change)
    with pytest.raises(InputError, match=message):
        joined(path)


def test_a_model_is_needed(piston):
    session = read_session(piston)
    bare = replace(session, near=replace(session.near, radius=None))
    with pytest.raises(InputError, match=r"\[near_field\]: needs a model.*design.*radius_mm"):
        near_model(bare, None)
    assert AIR.speed_of_sound > 300.0


def test_text_goes_with_text(tmp_path):
    """Levels alone: the same low end from text files."""
    path = write_piston(tmp_path, kind="response", tables={"gate": {"length_ms": 9.0}}, near_keys={"file": "near.txt"})
    at = np.geomspace(15.0, 1500.0, 200)
    level = amplitude_db(0.05 * box(at) * piston_axis(RADIUS)(at, 5e-3) / REFERENCE_PRESSURE)
    (tmp_path / "near.txt").write_text(
        "Hz dB\n" + "\n".join(f"{f:.6f} {a:.6f}" for f, a in zip(at, level, strict=True))
    )
    low = joined(path)
    frequency = low.directivity.observation.frequency
    error = amplitude_db(np.abs(low.directivity.on_axis) / REFERENCE_PRESSURE) - truth(piston_axis(RADIUS), frequency)
    below = frequency < 250.0
    assert low.findings["delay_ms"] is None
    # The texts hold the ground's reflection, which nothing gated: their mean over the overlap is off, not the course.
    assert np.ptp(error[below]) < 0.05


def test_measure_writes_it_beside_what_was_measured(piston, tmp_path, capsys):
    out = tmp_path / "out"
    code, told_by, _ = said(capsys, f"measure {piston} --out {out} --quiet")
    assert code == 0
    assert "Low end (low_end.csv, full_range/): near field joined over 250 to 500 Hz" in told_by
    lines = [line for line in (out / "low_end.csv").read_text().splitlines() if not line.startswith("#")]
    assert lines[0] == (
        "frequency_hz,on_axis_level_db,on_axis_phase_deg,gated_db,near_field_db,near_share,far_over_near_db,combined_db,"
        "coverage_factor,valid"
    )
    record = json.loads((out / "session.json").read_text())
    assert record["low_end"]["valid_from_hz"] == pytest.approx(20.0, rel=0.01)
    assert "near.wav" not in " ".join(record["assumed"])  # it is no forgotten file
    # What was measured stays what it is; the whole range stands by itself and says what is the model's.
    measured, whole = (read_directivity(place).directivity for place in (out, out / "full_range"))
    low = whole.observation.frequency < 100.0
    assert not measured.valid[measured.observation.frequency < 100.0].any()
    assert whole.valid[low].all()
    assert (
        "# other directions below 250 Hz are not measured but the model's"
        in (out / "full_range/directivity.csv").read_text()
    )
    header = next(line for line in (out / "full_range/budget.csv").read_text().splitlines() if not line.startswith("#"))
    assert {"scale_db", "model_db", "near_field_db", "near_noise_db"} <= set(header.split(","))
    assert (out / "low_end.png").stat().st_size > 1000
