"""Ways in one cabinet: a woofer in its front, its side and its back, through the command that joins them."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy import signal

import solids
from commandline import contents, said
from evenflare.cli.crossing import way_progress
from evenflare.closed_forms import piston_axis_pressure
from evenflare.commands.measured_ways import read_measured
from evenflare.directivity.folder import read_directivity
from evenflare.dsp.speaker import read_speaker
from evenflare.exterior.cabinets import Solved
from evenflare.exterior.pistons import Piston, radiated
from evenflare.files import InputError
from evenflare.measurement.text_response import write_text_response
from evenflare.report.kit import canvas
from evenflare.results import tables
from evenflare.units import DEGREE, amplitude_db
from evenflare.waveguide.cabinet import Cabinet, Edge
from reports import AIR, piston

BOX = Cabinet(0.16, 0.26, 0.15, Edge(0.01), Edge(0.01), 0.0, 0.07)
SPEAKER = """
name = "invented two-way"
[waveguide]
directivity = "solved"
[woofer]
piston_radius_mm = 50
below_mm = 120
[woofer.crossover]
kind = "linkwitz_riley"
order = 8
frequency_hz = 600
[cabinet]
width_mm = 160
height_mm = 260
depth_mm = 150
edge_radius_mm = 10
waveguide_y_mm = 70
[analysis]
from_hz = 200
to_hz = 1600
per_octave = 3
"""


@pytest.fixture
def bench(here, monkeypatch):
    """A folder with an invented directivity in it: one that radiates all round, valid from 300 Hz to 12 kHz."""
    monkeypatch.setattr(canvas, "png", lambda figure: b"")
    full = dataclasses.replace(piston(step_deg=5.0, frequencies=33), half_space=False)
    tables.write_solution(here / "solved", full, name="demo", design_id="0123456789ab")

    def write(text: str) -> Path:
        (here / "speaker.toml").write_text(text)
        return here

    return write


def test_a_woofer_in_the_front_has_the_step_and_the_diffraction_of_its_box(capsys, bench):
    here = bench(SPEAKER)
    code, out, err = said(capsys, "crossover speaker.toml --out crossed --quiet")
    assert (code, err) == (0, "")
    record = json.loads((here / "crossed" / "crossover.json").read_text())
    assert record["baffle_step"] is None
    step = record["cabinet_steps"]["woofer"]
    assert step["of"] == "the cabinet, solved"
    # A front of 160 by 260 mm, a sphere of 115: 3 dB down at 390 Hz; the box is not far from that.
    assert 250 < step["half_way_hz"] < 600
    assert "Woofer: the cabinet takes 3 dB from its level on axis at" in out
    assert "in what its own equaliser takes out" in out
    assert record["ways"][1]["positions_mm"] == [pytest.approx({"right": 0, "up": -120, "forward": 0}, abs=1e-9)]
    assert any("a cabinet of 160 x 260 x 150 mm" in each for each in record["assumed"])
    rows = [each for each in (here / "crossed" / "crossover_curves.csv").read_text().splitlines() if each[0] != "#"]
    names = rows[0].split(",")
    row = dict(zip(names, rows[1].split(","), strict=True))
    k = 2 * np.pi * float(row["frequency_hz"]) / AIR.speed_of_sound
    (alone,) = radiated([Piston(BOX, "front", 0.0, -0.05, 0.05)], [np.array([k])])
    heard = alone.far(np.array([[0.0, 0.0, 1.0]]))
    assert float(row["woofer_taken_out_db"]) == pytest.approx(float(amplitude_db(np.abs(heard[0, 0]))), abs=1e-3)
    assert read_directivity(here / "crossed" / "speaker").directivity.observation.symmetry == "left_right"
    # Solved once: a second time all of it is there, and reads the same.
    code, again, _ = said(capsys, "crossover speaker.toml --out again --quiet")
    assert again.replace("again", "crossed") == out


def woofer(path: Path):
    """What it sends about its own middle, (F, P, A), and where it is seen from."""
    sounds = read_speaker(path, reading=read_measured).sounds
    return sounds.own[1].pressure, sounds.observation, sounds


def seen(pressure, observation, azimuth: float, off_axis: float):
    plane, angle = (
        int(np.argmin(np.abs(known - at * DEGREE)))
        for known, at in ((observation.plane, azimuth), (observation.off_axis, off_axis))
    )
    return pressure[:, plane, angle]


def test_a_woofer_in_the_back_is_that_in_the_front_turned_round(bench):
    here = bench(SPEAKER.replace("below_mm = 120", "y_mm = -50"))
    front, observation, _ = woofer(here / "speaker.toml")
    bench(SPEAKER.replace("below_mm = 120", 'y_mm = -50\nface = "back"'))
    back, same, sounds = woofer(here / "speaker.toml")
    assert same.symmetry == "left_right"
    np.testing.assert_allclose(sounds.ways[1].positions, [(0.0, -0.12, -0.15)], atol=1e-12)  # rounding
    for azimuth, off_axis, turned in ((0.0, 30.0, 150.0), (90.0, 60.0, 120.0), (0.0, 0.0, 180.0)):
        one = np.abs(seen(front, observation, azimuth, off_axis)) / np.abs(seen(front, observation, 0.0, 0.0))
        other = np.abs(seen(back, same, azimuth, turned)) / np.abs(seen(back, same, 0.0, 180.0))
        np.testing.assert_allclose(other, one, rtol=1e-4)  # digits of the files


def test_a_measured_woofer_in_the_back_is_the_solved_one_with_its_response(bench):
    """On its own axis, to the back, far from it; close to it below 350 Hz, where the box adds its step."""
    text = LOW.replace("below_mm = 120", 'y_mm = -50\nface = "back"')
    here = bench(text)
    model = read_speaker(here / "speaker.toml", reading=read_measured).sounds.ways[1].driver
    frequency = np.geomspace(60.0, 1600.0, 200)
    # A closed box, as scipy has it, and beside it what a small piston's own middle hears of it.
    w = 2.0 * np.pi * 90.0
    box = signal.freqs([1.0, 0.0, 0.0], [1.0, w / 0.8, w**2], worN=2.0 * np.pi * frequency)[1]
    near = piston_axis_pressure(frequency, 5e-3, radius=0.05, velocity=1.0, air=AIR) * box / (1j * frequency)
    travel = np.exp(-2j * np.pi * frequency / AIR.speed_of_sound)
    far = model.far(frequency, np.array([np.pi]), np.zeros(1))[:, 0] * box * travel
    above = frequency > 240.0
    write_text_response(here / "far.txt", frequency[above], far[above], reference=2e-5)
    write_text_response(here / "near.txt", frequency, near, reference=2e-5)
    measured = '[woofer.measured]\nresponse = "far.txt"\nnear_field = "near.txt"\nmerge_hz = 350\narrival = "kept"\n'
    bench(text.replace("[woofer.crossover]", f"{measured}[woofer.crossover]"))
    speaker = read_speaker(here / "speaker.toml", reading=read_measured)
    driver, known = speaker.sounds.ways[1].driver, np.geomspace(200.0, 600.0, 13)
    assert driver.band[0] == pytest.approx(60.0)
    angle, azimuth = np.linspace(0.0, np.pi, 7), np.linspace(0.0, 3.0, 7)
    expected = signal.freqs([1.0, 0.0, 0.0], [1.0, w / 0.8, w**2], worN=2.0 * np.pi * known)[1][:, None]
    ratio = driver.far(known, angle, azimuth) / (model.far(known, angle, azimuth) * expected)
    assert np.abs(amplitude_db(ratio)).max() < 0.2  # the box is solved at three frequencies to the octave
    assert np.abs(np.angle(ratio)).max() / DEGREE < 3.0
    place = np.array([[0.3, 0.1, 2.0], [0.0, 0.0, -2.0]])
    assert driver.near is not None
    assert model.near is not None
    assert driver.near(known, place) == pytest.approx(
        model.near(known, place) * driver.far(known, angle, azimuth)[:, :1] / model.far(known, angle, azimuth)[:, :1]
    )
    assert any("in the back of the cabinet" in each for each in speaker.assumed)


def test_a_woofer_in_the_side_is_heard_there(bench):
    here = bench(SPEAKER.replace("below_mm = 120", 'x_mm = 10\ny_mm = -50\nface = "right"'))
    pressure, observation, sounds = woofer(here / "speaker.toml")
    assert observation.symmetry == "none"
    # One looks at the right side: the front lies to the left.
    np.testing.assert_allclose(sounds.ways[1].positions, [(0.08, -0.12, -0.085)], atol=1e-12)  # rounding
    level = amplitude_db(np.abs(seen(pressure, observation, 0.0, 90.0) / seen(pressure, observation, 0.0, -90.0)))
    assert abs(level[0]) < 1.0  # 200 Hz: the box is a tenth of a wavelength
    assert sounds.valid[1][6]
    assert level[6] > 2.5  # 800 Hz: a point on a sphere of 115 mm, kR = 1.7, has 2.5 to 3.4 dB; the box has edges


def test_two_woofers_and_a_listener_nearby(bench):
    text = SPEAKER.replace("below_mm = 120", "y_mm = [-50, 20]").replace(
        "piston_radius_mm = 50", "piston_radius_mm = 35"
    )
    here = bench(text)
    far = read_speaker(here / "speaker.toml", reading=read_measured).sounds
    np.testing.assert_allclose(far.ways[1].positions, [(0.0, -0.085, 0.0)], atol=1e-12)  # rounding
    bench(text.replace("[analysis]", "[analysis]\ndistance_m = 300"))
    near = read_speaker(here / "speaker.toml", reading=read_measured).sounds
    # Paths of 0.1 m in 300 m: what is left of the square is 1e-4 of a wavelength.
    one, other = (np.abs(each.pressure[1] / each.pressure[1, :, :1, 72:73]) for each in (far, near))
    np.testing.assert_allclose(other, one, atol=3e-3)


def test_the_box_of_a_design(bench):
    here = bench(
        SPEAKER[: SPEAKER.index("width_mm")] + 'design = "boxed.toml"\n' + SPEAKER[SPEAKER.index("[analysis]") :]
    )
    design = '[waveguide]\nfamily = "conical"\ndepth_mm = 20\nwall_angle_deg = 40\n[driver]\nexit_diameter_mm = 25.4\n'
    sizes = SPEAKER[SPEAKER.index("width_mm") : SPEAKER.index("[analysis]")]
    (here / "boxed.toml").write_text(f'{design}[mounting]\nkind = "cabinet"\n{sizes}')
    _, _, sounds = woofer(here / "speaker.toml")
    np.testing.assert_allclose(sounds.ways[1].positions, [(0.0, -0.12, 0.0)], atol=1e-12)  # rounding
    (here / "boxed.toml").write_text(design)
    with pytest.raises(InputError, match=r'design = "boxed.toml": is not in a cabinet. Give the cabinet\'s sizes'):
        read_speaker(here / "speaker.toml", reading=read_measured)


LOW = SPEAKER.replace("edge_radius_mm = 10\n", "").replace("1600", "900").replace("= 600", "= 400")


def in_a_solid(here: Path, mesh: trimesh.Trimesh, text: str) -> str:
    """The loudspeaker in a body of an STL file instead."""
    (here / "cad").mkdir(exist_ok=True)
    solids.written(mesh, here / "cad" / "cabinet.stl")
    sizes = text[text.index("width_mm") : text.index("waveguide_y_mm")]
    return text.replace(sizes, 'solid_stl = "cad/cabinet.stl"\n')


@pytest.mark.parametrize(
    ("place", "at"),
    [
        ('x_mm = 10\ny_mm = -50\nface = "right"', "at_mm = [80, -50, -85]\nface = [1, 0, 0]"),
        ("below_mm = 120", "at_mm = [0, -50, 0]"),
    ],
)
def test_a_way_in_a_box_of_triangles_is_that_in_the_box(bench, place, at):
    here = bench(LOW.replace("below_mm = 120", place))
    built_in, observation, sounds = woofer(here / "speaker.toml")
    bench(in_a_solid(here, solids.box(160, 260, 150), LOW).replace("below_mm = 120", at))
    found, same, others = woofer(here / "speaker.toml")
    assert same.symmetry == observation.symmetry
    np.testing.assert_allclose(others.ways[1].positions, sounds.ways[1].positions, atol=1e-7)  # single precision
    # Other panels, cells of half a wavelength: seen 0.2 %, 0.02 dB.
    np.testing.assert_allclose(found, built_in, atol=5e-3 * np.abs(built_in).max())


def test_a_tilted_side_is_told_in_what_was_assumed(bench):
    """A body without a mirror plane, whose right side looks a little back."""
    here = bench("")
    place = "at_mm = [78, -40, -60]\nface = [1, 0, -0.1]"
    bench(in_a_solid(here, solids.wedge(160, 260, 150), LOW).replace("below_mm = 120", place))
    speaker = read_speaker(here / "speaker.toml", reading=read_measured)
    assert speaker.sounds.observation.symmetry == "none"
    assert any(
        "woofer: a rigid flat piston in the face toward [0.995, 0.0, -0.1] of the cabinet" in each
        for each in speaker.assumed
    )
    assert any("6 flat faces" in each for each in speaker.assumed)


@pytest.mark.parametrize(
    ("new", "words"),
    [
        (
            "at_mm = [120, -40, -60]\nface = [1, 0, 0]",
            "[woofer] at_mm = [120.0, -40.0, -60.0]: is on no flat face that looks that way: the nearest is 41.9",
        ),
        ("at_mm = [0, -40]", "[woofer] at_mm = [0, -40]: must be a place in mm, [right, up, forward]"),
        ("at_mm = [0, 9000, 0]", "at_mm = [0, 9000, 0]: must be -5000 to 5000 along each axis. Correct 9000"),
        ("below_mm = 100\nat_mm = [0, -40, 0]", "below_mm and at_mm exclude each other"),
        ("x_mm = 3\nat_mm = [0, -40, 0]", "x_mm and at_mm exclude each other"),
        ("y_mm = 3\nface = [0, 0, 0]", "or the direction that the face looks to as three numbers"),
        ('y_mm = -10\nx_mm = 40\nface = "left"', 'does not fit on the flat face "left" at x_mm = 40'),
        ("below_mm = 120\nface = [1, 0, 0]", "is for a piston with a y_mm of its own, or at_mm"),
    ],
)
def test_a_slip_in_a_solid_is_told_with_its_remedy(capsys, bench, new, words):
    here = bench("")
    bench(in_a_solid(here, solids.wedge(160, 260, 150), LOW).replace("below_mm = 120", new))
    code, out, err = said(capsys, "crossover speaker.toml --out crossed")
    assert (code, out) == (2, "")
    assert words in err


def test_a_file_that_is_no_cabinet_is_named_with_its_table(capsys, bench):
    here = bench("")
    bench(in_a_solid(here, solids.box(20, 26, 15), LOW))
    _, _, err = said(capsys, "crossover speaker.toml --out crossed")
    assert 'speaker.toml [cabinet] solid_stl = "cad/cabinet.stl": is 20 x 26 x 15 mm' in err
    bench(SPEAKER.replace("depth_mm = 150", 'depth_mm = 150\nsolid_stl = "cad/cabinet.stl"'))
    _, _, err = said(capsys, "crossover speaker.toml --out crossed")
    assert "[cabinet] width_mm: does not belong to solid_stl, which has its sizes" in err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("= 50\n", "= 90\n", "[woofer] piston_radius_mm = 90: does not fit on the flat of the front"),
        ("below_mm = 120", "below_mm = 120\ny_mm = -50", "below_mm and y_mm exclude each other"),
        ("below_mm = 120", "x_mm = 10", "below_mm: missing, as is y_mm"),
        ("below_mm = 120", 'below_mm = 120\nface = "back"', 'face = "back": is for a piston with a y_mm of its own'),
        ("below_mm = 120", 'y_mm = -50\nface = "behind"', 'face = "behind": must be'),
        ("below_mm = 120", "below_mm = 120\nforward_mm = 5", "[woofer] forward_mm = 5: must be 0 for a piston"),
        ("below_mm = 120", "below_mm = 120\nsphere_radius_mm = 150", "[woofer] sphere_radius_mm: stands for a cabinet"),
        ("depth_mm = 150", "", "[cabinet] depth_mm: missing, a cabinet has one. Add for example depth_mm = 280"),
        ("edge_radius_mm = 10", "edge_radius_mm = 80", "[cabinet] edge_radius_mm = 80: must be below half of depth_mm"),
        ("depth_mm = 150", 'depth_mm = 150\ndesign = "a.toml"', "[cabinet] design and width_mm exclude each other"),
        ("[analysis]", "[baffle]\nwidth_mm = 160\nheight_mm = 260\n[analysis]", "[baffle]: the ways radiate all round"),
    ],
)
def test_a_slip_is_told_with_its_remedy(capsys, bench, old, new, words):
    here = bench(SPEAKER.replace(old, new, 1))
    before = contents(here)
    code, out, err = said(capsys, "crossover speaker.toml --out crossed")
    assert (code, out) == (2, "")
    assert err.startswith("speaker.toml")
    assert words in err
    assert contents(here) == before


def test_heights_without_a_cabinet_and_a_waveguide_in_a_baffle_are_refused(capsys, bench):
    start, end = SPEAKER.index("[cabinet]"), SPEAKER.index("[analysis]")
    here = bench(SPEAKER[:start].replace("below_mm = 120", "y_mm = -50") + SPEAKER[end:])
    _, _, err = said(capsys, "crossover speaker.toml --out crossed")
    assert "[woofer] y_mm: counts from the middle of a cabinet's face, and there is no [cabinet]" in err
    bench(SPEAKER)
    tables.write_solution(here / "solved", piston(step_deg=5.0, frequencies=33), name="demo", design_id="0123456789ab")
    _, _, err = said(capsys, "crossover speaker.toml --out crossed")
    assert "[cabinet]: the waveguide's directivity is that in an infinite baffle. Solve it in this cabinet" in err


def test_progress_is_told_now_and_then_and_what_was_damaged_at_once(capsys, monkeypatch):
    clock = [0.0]
    monkeypatch.setattr("evenflare.cli.telling.time.monotonic", lambda: clock[0])
    ahead = way_progress()
    ahead("lower_midrange", Solved(9.0, 1, 8, False, "x.response: is damaged"))
    clock[0] = 3.0
    ahead("lower_midrange", Solved(8.0, 2, 8, False))
    ahead("lower_midrange", Solved(7.0, 3, 8, False))
    told = capsys.readouterr().err.splitlines()
    assert told == [
        "warning: x.response: is damaged",
        "2/8 frequencies of lower midrange in the cabinet, the slowest first",
    ]
