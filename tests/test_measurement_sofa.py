"""What a measurement is written to, AES69 and text, is read back by a session as it was."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import sofar

from evenflare.directivity.sofa import write_sofa
from evenflare.directivity.types import Directivity, Observation
from evenflare.files import InputError
from evenflare.measurement.responses_written import write_responses
from evenflare.measurement.session import read_session
from evenflare.units import DEGREE, MILLIMETRE

SESSION = """
[rig]
distance_m = 2.0
[files]
kind = "sofa"
sofa = "a.sofa"
"""


def field(*, half_space: bool = False, planes=(0.0, 90.0), symmetry="none", distance: float = 2.0) -> Directivity:
    """An invented field in signed angles."""
    frequency = np.array([200.0, 1000.0, 5000.5])
    off_axis = np.arange(-170.0, 180.1, 10.0) * DEGREE
    plane = np.array(planes) * DEGREE
    f, p, a = np.meshgrid(frequency / 1000.0, plane, off_axis, indexing="ij")
    pressure = 0.1 * np.exp(0.4 * np.cos(a) * f + 0.2 * np.sin(a) * (1 + p) + 1j * (np.sin(a) + 2.0 * f))
    if half_space:
        pressure[..., np.abs(off_axis) > 90.5 * DEGREE] = 0.0
    observation = Observation(frequency, off_axis, plane=plane, distance=distance, reference_z=0.09, symmetry=symmetry)
    return Directivity(observation, pressure, np.ones(3, dtype=bool), 1.19, 345.0, half_space=half_space)


def pressures(session, directivity: Directivity) -> tuple[np.ndarray, np.ndarray]:
    """Read and wanted, direction by direction."""
    observation, read, wanted = directivity.observation, [], []
    for each in session.readings:
        p = int(np.abs(observation.plane - each.azimuth).argmin())
        a = int(np.abs(observation.off_axis - each.off_axis).argmin())
        assert abs(observation.plane[p] - each.azimuth) + abs(observation.off_axis[a] - each.off_axis) < 1e-9
        assert each.frequency == pytest.approx(observation.frequency, rel=1e-9)
        read.append(each.pressure)
        wanted.append(directivity.pressure[:, p, a])
    return np.array(read), np.array(wanted)


def sofa_session(folder, directivity: Directivity, content: str = SESSION):
    write_sofa(directivity, folder / "a.sofa", name="invented")
    (folder / "session.toml").write_text(content)
    return read_session(folder / "session.toml")


@pytest.mark.parametrize("half_space", [False, True])
def test_session_of_a_sofa_file_is_exact_and_lists_what_it_took(tmp_path, half_space):
    wanted = field(half_space=half_space)
    found = sofa_session(tmp_path, wanted)
    sofar.read_sofa(str(tmp_path / "a.sofa"), verify=True, verbose=False)  # raises on any violation of the standard
    assert (found.kind, found.symmetry) == ("response", "none")
    assert len(found.readings) == (2 * 19 if half_space else 2 * 36)
    assert np.array_equal(*pressures(found, wanted))
    assert 'symmetry "none": as a.sofa has it' in found.assumed
    assert any(each.startswith('air_losses "out"') for each in found.assumed)
    assert not found.rig.lossy  # a solver's air and that of an assembled measurement swallow nothing


def test_what_a_sofa_file_calls_invalid_is_left_out_and_counted(tmp_path):
    whole = field()
    valid = np.arange(whole.observation.frequency.size) > 0
    found = sofa_session(tmp_path, replace(whole, valid=valid))
    assert all(each.frequency.size == valid.size - 1 for each in found.readings)
    assert any(each.startswith("1 frequencies of a.sofa left out") for each in found.assumed)
    with pytest.raises(InputError, match="no frequency that can be trusted"):
        sofa_session(tmp_path, replace(whole, valid=np.zeros(valid.size, dtype=bool)))


def test_other_planes_of_a_sofa_file_are_left_out_and_counted(tmp_path):
    found = sofa_session(tmp_path, field(planes=(0.0, 45.0, 90.0)))
    assert {each.azimuth / DEGREE for each in found.readings} == {0.0, 90.0}
    assert "1 plane of a.sofa left out: neither horizontal nor vertical" in found.assumed


def test_sofa_file_of_another_program_says_what_it_lacks(tmp_path):
    write_sofa(field(), tmp_path / "a.sofa", name="another's")
    sofa = sofar.read_sofa(str(tmp_path / "a.sofa"), verbose=False)
    sofa.delete("GLOBAL_Evenflare")
    sofar.write_sofa(str(tmp_path / "a.sofa"), sofa)
    (tmp_path / "session.toml").write_text(SESSION)
    assumed = read_session(tmp_path / "session.toml").assumed
    assert 'a.sofa: symmetry "none", from the directions that the file holds' in assumed


def test_sofa_file_that_does_not_fit_the_rig_is_told(tmp_path):
    with pytest.raises(InputError, match=r"\[rig\] distance_m = 3: must be the file's, 2. Correct one"):
        sofa_session(tmp_path, field(), SESSION.replace("2.0", "3.0"))
    with pytest.raises(InputError, match=r"a.sofa: is of the far field: must be of one distance"):
        sofa_session(tmp_path, field(distance=np.inf))
    (tmp_path / "a.sofa").write_bytes(b"CDF\x01")
    with pytest.raises(InputError, match=r"a.sofa: is not an AES69 \(SOFA\) file that can be read"):
        read_session(tmp_path / "session.toml")


@pytest.mark.parametrize("half_space", [False, True])
def test_text_responses_read_back_within_their_decimals(tmp_path, half_space):
    wanted = field(half_space=half_space)
    mounting = "baffle" if half_space else "sphere"
    paths = write_responses(wanted, tmp_path, name='trial "7" ü', mounting=mounting)
    assert len(paths) == 1 + (2 * 19 if half_space else 2 * 36)
    assert sorted(tmp_path.iterdir()) == sorted(paths)
    found = read_session(tmp_path / "session.toml")
    assert (found.name, found.symmetry, found.rig.mounting) == ('trial "7" ü', "none", mounting)
    assert (found.rig.distance, found.rig.lossy) == (2.0, False)
    assert found.rig.rotation_centre_z == pytest.approx(90 * MILLIMETRE)
    # 1e-6 Celsius is 6e-7 m/s; each round of temperature and pressure is some hundred times nearer.
    assert found.rig.air.speed_of_sound == pytest.approx(345.0, abs=2e-6)
    assert found.rig.air.density == pytest.approx(1.19, rel=1e-6)
    read, given = pressures(found, wanted)
    assert np.abs(20.0 * np.log10(np.abs(read / given))).max() <= 0.51e-4  # four decimals
    assert np.abs(np.angle(read / given)).max() <= 0.51e-3 * DEGREE  # three decimals
    # Level and phase are all that the files were assumed to say.
    assert found.assumed == (
        "no calibration: the microphone is taken for flat",
        "the phase of the text files has the travel time from source to microphone in it",
    )


def test_what_cannot_be_written_as_text_is_told(tmp_path):
    more = {"name": "a", "mounting": "sphere"}
    with pytest.raises(InputError, match="responses of the far field have no distance"):
        write_responses(field(distance=np.inf), tmp_path, **more)
    with pytest.raises(InputError, match="horizontal and vertical plane only. Leave out others"):
        write_responses(field(planes=(0.0, 45.0)), tmp_path, **more)
    silent = field()
    pressure = np.array(silent.pressure)
    pressure[0, 0, 0] = 0.0
    with pytest.raises(InputError, match="a level of 0 Pa cannot be written"):
        write_responses(replace(silent, pressure=pressure), tmp_path, **more)
    assert list(tmp_path.iterdir()) == []
