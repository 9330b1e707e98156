"""Directivities written, as tables and as AES69 files, and read back."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import sofar

from evenflare import metrics
from evenflare.directivity.folder import read_directivity
from evenflare.directivity.sofa import write_sofa
from evenflare.directivity.types import Directivity, Observation
from evenflare.files import InputError
from evenflare.results import tables
from evenflare.units import DEGREE, MILLIMETRE, amplitude_db
from reports import piston

ID = "0123456789ab"
LEVEL = 1.01e-4
"""dB: two columns, each written to 1e-4."""


def two_sided(symmetry="none", *, distance=2.0, planes=(0.0, 90.0)) -> Directivity:
    """An invented field without any symmetry, in signed angles."""
    frequency = np.array([200.0, 1000.0, 5000.5])
    off_axis = np.arange(-170.0, 180.1, 10.0) * DEGREE
    plane = np.array(planes) * DEGREE
    f, p, a = np.meshgrid(frequency / 1000.0, plane, off_axis, indexing="ij")
    axis = np.cos(a) * f
    across = np.sin(a) * (np.cos(p) + 0.3 * np.sin(p))
    pressure = 0.1 * np.exp(0.4 * axis + 0.2 * across + 1j * (across + 2.0 * f + 1.3 * axis))
    observation = Observation(frequency, off_axis, plane=plane, distance=distance, reference_z=0.09, symmetry=symmetry)
    return Directivity(observation, pressure, np.array([False, True, True]), 1.19, 345.0)


def written(folder: Path, directivity: Directivity, **more) -> Path:
    tables.write_solution(folder, directivity, name="a try", design_id=ID, provenance={"mounting": "sphere", **more})
    return folder


def assert_same_axes(found: Directivity, wanted: Directivity, angle: float = 0.0) -> None:
    """Axes alike, angles to within `angle` rad; the rest of the observation and the air equal."""
    for name in ("off_axis", "plane"):
        assert np.abs(getattr(found.observation, name) - getattr(wanted.observation, name)).max() <= angle + 1e-12
    for name in ("distance", "symmetry"):
        assert getattr(found.observation, name) == getattr(wanted.observation, name)
    assert found.observation.reference_z == pytest.approx(wanted.observation.reference_z, rel=1e-14)
    for name in ("density", "speed_of_sound", "half_space"):
        assert getattr(found, name) == getattr(wanted, name)
    assert np.array_equal(found.valid, wanted.valid)


@pytest.mark.parametrize("distance", [np.inf, 2.0])
@pytest.mark.parametrize("make", [piston, two_sided])
def test_folder_reads_back_within_the_decimals_of_its_tables(tmp_path, make, distance):
    wanted = make(distance=distance)
    found = read_directivity(written(tmp_path, wanted))
    assert (found.name, found.design_id, found.mounting, found.path) == ("a try", ID, "sphere", tmp_path)
    assert found.assumed == ()
    # 1e-3 degrees is what an angle is written to, and 1e-4 Hz a frequency: half of it is lost at most.
    assert_same_axes(found.directivity, wanted, angle=0.5e-3 * DEGREE)
    assert np.abs(found.directivity.observation.frequency - wanted.observation.frequency).max() <= 0.51e-4
    heard = wanted.pressure != 0.0
    assert np.array_equal(found.directivity.pressure != 0.0, heard)
    ratio = found.directivity.pressure[heard] / wanted.pressure[heard]
    assert np.abs(amplitude_db(ratio)).max() <= LEVEL
    # Two phases of 1e-3 degrees, and at 2 m the travel time of a frequency that was rounded to 1e-4 Hz.
    assert np.abs(np.angle(ratio)).max() <= 1.01e-3 * DEGREE + (0.0 if np.isinf(distance) else 2e-6)
    for metric in (metrics.directivity_index, metrics.on_axis_level):
        # A mean of levels that are each off by 1e-4 dB.
        assert np.abs(metric(found.directivity) - metric(wanted)).max() <= 2 * LEVEL


def test_what_the_solver_knew_is_read_back(tmp_path):
    wanted = replace(piston(), sound_power=np.linspace(1e-3, 2e-3, 25))
    found = read_directivity(written(tmp_path, wanted)).directivity
    assert found.sound_power == pytest.approx(wanted.sound_power, rel=1.2e-5)  # 5e-5 dB
    assert found.throat_impedance == pytest.approx(wanted.throat_impedance, rel=1e-5)  # six digits
    for name in ("error_estimate", "polar_error", "impedance_error"):
        assert getattr(found, name) == pytest.approx(getattr(wanted, name)), name
    assert found.provenance["solver"] == "closed form"


def test_a_summary_of_before_polar_and_impedance_errors_were_told_reads_on(tmp_path):
    folder = written(tmp_path, piston())
    lines = (folder / "summary.csv").read_text().splitlines()
    names = next(line for line in lines if not line.startswith("#")).split(",")
    keep = [i for i, name in enumerate(names) if name not in ("polar_error_db", "impedance_error_percent")]
    old = [line if line.startswith("#") else ",".join(line.split(",")[i] for i in keep) for line in lines]
    (folder / "summary.csv").write_text("\n".join(old) + "\n")
    found = read_directivity(folder).directivity
    assert found.error_estimate == pytest.approx(piston().error_estimate)
    assert found.polar_error is found.impedance_error is None


def test_power_by_quadrature_is_not_taken_for_the_solvers_own(tmp_path):
    found = read_directivity(written(tmp_path, piston())).directivity
    assert found.sound_power is None


def test_written_again_the_tables_are_the_same(tmp_path):
    first = written(tmp_path / "one", two_sided())
    again = written(tmp_path / "two", read_directivity(first).directivity)
    for name in ("directivity.csv", "provenance.json"):
        assert (again / name).read_text() == (first / name).read_text()


def test_a_baffle_is_the_mounting_where_no_other_is_named(tmp_path):
    tables.write_solution(tmp_path, piston(), name="p", design_id=ID)
    assert read_directivity(tmp_path).mounting == "baffle"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return written(tmp_path_factory.mktemp("whole"), two_sided())


def edited(text: str, line: int, new: str | None) -> str:
    lines = text.splitlines()
    lines[line - 1 : line] = [] if new is None else [new]
    return "\n".join(lines) + "\n"


def data_line(text: str) -> int:
    """Number of the first line below the header."""
    lines = text.splitlines()
    return next(i for i, line in enumerate(lines, start=1) if line.startswith("frequency_hz")) + 1


FAULTS = {
    "no provenance": ("provenance.json", lambda text: None, "provenance.json: cannot be read (No such file"),
    "broken provenance": ("provenance.json", lambda text: text[:-4] + "oops", "provenance.json line "),
    "no observation": (
        "provenance.json",
        lambda text: '{"name": "x"}',
        'provenance.json: lacks "observed", from where',
    ),
    "no list of keys": ("provenance.json", lambda text: "[1]", 'provenance.json: lacks "observed"'),
    "no air": (
        "provenance.json",
        lambda text: text.replace('"density_kg_per_m3"', '"d"'),
        '"observed": lacks density_kg_per_m3. Write the folder again',
    ),
    "odd symmetry": (
        "provenance.json",
        lambda text: text.replace('"symmetry": "none"', '"symmetry": "some"'),
        '"observed" symmetry = "some": cannot be. Write the folder again',
    ),
    "negative distance": (
        "provenance.json",
        lambda text: text.replace('"distance_m": 2.0', '"distance_m": -2.0'),
        '"observed" distance_m = -2.0: cannot be',
    ),
    "no directivity": ("directivity.csv", lambda text: None, "directivity.csv: cannot be read (No such file"),
    "a missing direction": (
        "directivity.csv",
        lambda text: edited(text, data_line(text), None),
        "directivity.csv: lacks 200 Hz at azimuth 0 and off-axis -170 degrees. Write",
    ),
    "a direction twice": (
        "directivity.csv",
        lambda text: text + text.splitlines()[-1] + "\n",
        "200 Hz".replace("200", "5000.5") + " at azimuth 90 and off-axis 180 degrees stands there twice. Remove one",
    ),
    "a word for a number": (
        "directivity.csv",
        lambda text: edited(text, data_line(text) + 1, "200,0,loud,1,2,1"),
        "off_axis_deg = loud: must be a number. Correct it",
    ),
    "no angle": (
        "directivity.csv",
        lambda text: edited(text, data_line(text) + 1, "200,0,,1,2,1"),
        "off_axis_deg must be a number",
    ),
    "only a header": (
        "directivity.csv",
        lambda text: "\n".join(text.splitlines()[: data_line(text) - 1]),
        "directivity.csv: holds no rows below its header",
    ),
    "no column": (
        "summary.csv",
        lambda text: text.replace("on_axis_level_db", "level"),
        "must include frequency_hz, on_axis_level_db, on_axis_phase_deg and valid. Name them",
    ),
    "another frequency": (
        "summary.csv",
        lambda text: text.replace("\n1000,", "\n1001,"),
        "frequency_hz = 1001: is not in directivity.csv",
    ),
    "a frequency short": (
        "summary.csv",
        lambda text: "\n".join(text.splitlines()[:-1]),
        "summary.csv: lacks rows of directivity.csv",
    ),
}


@pytest.mark.parametrize(("file", "change", "words"), FAULTS.values(), ids=FAULTS)
def test_broken_folder_is_told_with_file_and_place(tmp_path, folder, file, change, words):
    copy = Path(shutil.copytree(folder, tmp_path / "copy"))
    text = change((copy / file).read_text())
    (copy / file).unlink()
    if text is not None:
        (copy / file).write_text(text)
    with pytest.raises(InputError) as caught:
        read_directivity(copy)
    assert words in str(caught.value)
    assert str(caught.value).startswith(str(copy / file))


def test_neither_folder_nor_sofa_file(tmp_path):
    with pytest.raises(InputError, match=r"nothing: is not there\. Name a folder that evenflare solve"):
        read_directivity(tmp_path / "nothing")
    (tmp_path / "a.csv").write_text("x")
    with pytest.raises(InputError, match=r"a\.csv: is a file\. Name a folder"):
        read_directivity(tmp_path / "a.csv")


@pytest.mark.parametrize("distance", [np.inf, 2.0])
def test_sofa_reads_back_exactly_and_passes_the_librarys_verification(tmp_path, distance):
    wanted = replace(
        two_sided(distance=distance),
        sound_power=np.array([1e-3, 2e-3, 3e-3]),
        throat_impedance=np.array([1 + 2j, 3 - 4j, 5j]),
        error_estimate=np.array([0.1, 0.2, 0.3]),
        far_field_index=np.array([3.0, 6.5, 9.25]),
        polar_error=np.array([0.4, 0.5, 0.6]),
        impedance_error=np.array([0.01, 0.02, 0.03]),
    )
    path = write_sofa(wanted, tmp_path / "a.sofa", name="trial ü", design_id=ID, mounting="free_standing")
    file = sofar.read_sofa(str(path), verify=True, verbose=False)  # raises on any violation
    assert file.GLOBAL_SOFAConventions == "FreeFieldDirectivityTF"
    assert file.Data_Real.shape == (1, 2 * 36, 3)
    found = read_directivity(path)
    assert (found.name, found.design_id, found.mounting, found.assumed) == ("trial ü", ID, "free_standing", ())
    assert_same_axes(found.directivity, wanted)
    arrays = ("pressure", "sound_power", "throat_impedance", "error_estimate", "polar_error", "impedance_error")
    for name in (*arrays, "far_field_index"):
        assert np.array_equal(getattr(found.directivity, name), getattr(wanted, name))


def test_sofa_directions_are_the_standards():
    """By hand: +x is a facing listener's right, the source's left, azimuth 90; up is elevation 90."""
    from evenflare.directivity.sofa import _positions

    observation = Observation(
        np.array([100.0]), np.array([-90.0, 0.0, 90.0]) * DEGREE, plane=np.array([0.0, 90.0]) * DEGREE, symmetry="none"
    )
    azimuth, elevation, radius = _positions(observation).reshape(2, 3, 3).transpose(2, 0, 1)
    assert azimuth[0] == pytest.approx([-90.0, 0.0, 90.0])
    assert elevation[1] == pytest.approx([-90.0, 0.0, 90.0])
    assert np.abs(elevation[0]).max() < 1e-12
    assert np.all(radius == 1.0)


def foreign(path: Path, **changes) -> Path:
    """The same field as another program would write it: mandatory fields, azimuth 0 to 360, two decimals."""
    wanted = two_sided()
    write_sofa(wanted, path, name="another's")
    sofa = sofar.read_sofa(str(path), verbose=False)
    sofa.delete("GLOBAL_Evenflare")
    position = np.array(sofa.ReceiverPosition)
    position[:, 0] %= 360.0
    sofa.ReceiverPosition = np.round(position, 2)
    for name, value in changes.items():
        setattr(sofa, name, value(getattr(sofa, name)) if callable(value) else value)
    sofar.write_sofa(str(path), sofa)
    return path


def test_sofa_of_another_program_is_read_and_what_it_lacks_is_listed(tmp_path):
    wanted = two_sided()
    found = read_directivity(foreign(tmp_path / "b.sofa"))
    assert np.array_equal(found.directivity.pressure, wanted.pressure)
    assert np.abs(found.directivity.observation.off_axis - wanted.observation.off_axis).max() < 1e-4
    assert found.directivity.observation.plane.tolist() == [0.0, 0.5 * np.pi]
    assert found.directivity.observation.distance == 2.0
    assert found.name == "another's"
    assert any("reference point" in each for each in found.assumed)
    assert any("343.2 m/s" in each for each in found.assumed)


def test_sofa_in_cartesian_positions_is_the_same(tmp_path):
    def cartesian(position):
        turn, up = position[:, 0] * DEGREE, position[:, 1] * DEGREE
        unit = np.stack([np.cos(up) * np.cos(turn), np.cos(up) * np.sin(turn), np.sin(up)], axis=-1)
        return unit * position[:, 2:]

    path = foreign(
        tmp_path / "c.sofa",
        ReceiverPosition=cartesian,
        ReceiverPosition_Type="cartesian",
        ReceiverPosition_Units="metre",
    )
    assert np.array_equal(read_directivity(path).directivity.pressure, two_sided().pressure)


def test_sofa_directions_off_the_orbits_are_left_out_and_counted(tmp_path):
    def odd(position):
        position = np.array(position)
        position[40] = [33.0, 21.0, 2.0]
        return position

    found = read_directivity(foreign(tmp_path / "d.sofa", ReceiverPosition=odd))
    assert found.directivity.observation.plane.tolist() == [0.0]
    # Of 72 directions those of the horizontal plane are used; both poles stand there twice, once for each plane.
    assert "36 of 72 directions left out: they do not make up whole orbits" in found.assumed


SOFA_FAULTS = {
    "unequal distances": (
        {"ReceiverPosition": lambda p: p * [1, 1, 1] + [[0, 0, 0.5]] * (np.arange(72)[:, None] == 3)},
        "receivers stand 2 to 2.5 m away: must be one distance",
    ),
    "no distance": ({"ReceiverPosition": lambda p: p * [1, 1, 0]}, "a radius of 0 m: must be above 0"),
    "turned source": ({"SourceView": np.array([[0.0, 1.0, 0.0]])}, "SourceView = [0.0, 1.0, 0.0]: must be [1, 0, 0]"),
    "falling frequencies": ({"N": lambda n: n[::-1]}, "N must rise from each frequency to the next"),
    "not a number": ({"Data_Real": lambda d: np.where(d == d[0, 0, 0], np.nan, d)}, "values that are no numbers"),
    "no axis": (
        {"ReceiverPosition": lambda p: np.where(np.abs(p[:, :1]) + np.abs(p[:, 1:2]) == 0.0, [[5.0, 5.0, 2.0]], p)},
        "no direction on axis",
    ),
    "a direction twice": (
        {"ReceiverPosition": lambda p: np.where(np.arange(72)[:, None] == 3, p[4], p)},
        "degrees off axis twice. Remove one",
    ),
}


@pytest.mark.parametrize(("changes", "words"), SOFA_FAULTS.values(), ids=SOFA_FAULTS)
def test_sofa_that_cannot_be_used_is_told(tmp_path, changes, words):
    path = tmp_path / "e.sofa"
    # The library would refuse to write these: its verification is passed over.
    original = sofar.Sofa.verify
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sofar.Sofa, "verify", lambda self, *_, **__: original(self, issue_handling="ignore"))
        foreign(path, **changes)
    with pytest.raises(InputError) as caught:
        read_directivity(path)
    assert words in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_file_that_is_no_sofa_is_told(tmp_path):
    path = tmp_path / "f.sofa"
    path.write_bytes(b"hello")
    with pytest.raises(InputError, match=r"f\.sofa: is not an AES69 \(SOFA\) file that can be read"):
        read_directivity(path)
    with pytest.raises(InputError, match=r"g\.sofa: cannot be read \(No such file or directory\)"):
        read_directivity(tmp_path / "g.sofa")


def test_sofa_of_another_convention_is_told(tmp_path):
    path = tmp_path / "j.sofa"
    sofar.write_sofa(str(path), sofar.Sofa("SimpleFreeFieldHRIR", mandatory=True))
    with pytest.raises(InputError, match='SOFAConventions = "SimpleFreeFieldHRIR": must be "FreeFieldDirectivityTF"'):
        read_directivity(path)


def test_attribute_of_ours_that_does_not_fit_is_told(tmp_path):
    path = write_sofa(two_sided(), tmp_path / "h.sofa", name="h")
    sofa = sofar.read_sofa(str(path), verbose=False)
    record = json.loads(sofa.GLOBAL_Evenflare)
    sofa.GLOBAL_Evenflare = json.dumps({**record, "off_axis_rad": record["off_axis_rad"][1:]})
    sofar.write_sofa(str(path), sofa)
    with pytest.raises(InputError, match=r"h\.sofa: its attribute Evenflare does not fit its data"):
        read_directivity(path)


def test_sofa_that_cannot_be_written_leaves_the_old_one(tmp_path, monkeypatch):
    path = write_sofa(two_sided(), tmp_path / "i.sofa", name="first")
    before = path.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(sofar, "write_sofa", full)
    with pytest.raises(InputError, match="the disk is full"):
        write_sofa(two_sided(), path, name="second")
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_reference_point_is_in_millimetres_in_the_record(tmp_path):
    record = json.loads((written(tmp_path, two_sided()) / "provenance.json").read_text())
    assert record["observed"]["reference_z_mm"] == 0.09 / MILLIMETRE
