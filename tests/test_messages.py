"""Every message about a design file but for its wall, as the user reads it: file, table, key, value, what is allowed,
remedy.
"""

import os

import pytest

from design_texts import CONE, DRIVER, GOOD, waveguide
from evenflare.design.file import read_design
from evenflare.files import InputError

FAULTS = {
    "missing key": (
        CONE.replace("depth_mm = 90\n", "") + DRIVER,
        "d.toml [waveguide] depth_mm: missing. Add for example depth_mm = 90",
    ),
    "missing table": (CONE, "d.toml [driver]: missing table. Add it, with exit_diameter_mm = 25.4"),
    "missing waveguide": (DRIVER, 'd.toml [waveguide]: missing table. Add it, with family = "conical"'),
    "missing family": (
        waveguide("depth_mm = 90"),
        'd.toml [waveguide] family: missing. Add for example family = "conical"',
    ),
    "unknown family": (
        waveguide('family = "conic"'),
        'd.toml [waveguide] family = "conic": must be "conical", "exponential", "hyperbolic", "tractrix",'
        ' "oblate_spheroidal" or "free". Did you mean conical?',
    ),
    "family is no text": (
        waveguide("family = 7"),
        'd.toml [waveguide] family = 7: must be "conical", "exponential", "hyperbolic", "tractrix",'
        ' "oblate_spheroidal" or "free". Write one of them',
    ),
    "missing angle": (
        CONE.replace("wall_angle_deg = 42\n", "") + DRIVER,
        "d.toml [waveguide] wall_angle_deg: missing. Add for example wall_angle_deg = 42 (wall against axis),"
        " or coverage_deg = 84 (the full angle)",
    ),
    "two angles": (
        CONE + "coverage_deg = 84\n" + DRIVER,
        "d.toml [waveguide] wall_angle_deg and coverage_deg are the half and the full of one angle: remove one",
    ),
    "unknown key, near": (
        CONE + "roundover_mm = 5\n" + DRIVER,
        "d.toml [waveguide] roundover_mm = 5: unknown key. Did you mean roundover_radius_mm?",
    ),
    "unknown key, far": (
        GOOD + "[mounting]\nxyz = 5\n",
        "d.toml [mounting] xyz = 5: unknown key. Remove it; allowed are kind, radius_mm",
    ),
    "unknown table": (GOOD + "[solids]\nbolts = 3\n", "d.toml [solids]: unknown table. Did you mean [solid]?"),
    "key at home elsewhere": (
        "wall_mm = 5\n" + GOOD,
        "d.toml wall_mm = 5: unknown key here. It belongs in [solid]: move it there",
    ),
    "key of another family": (
        CONE + "cutoff_hz = 500\n" + DRIVER,
        'd.toml [waveguide] cutoff_hz = 500: does not belong to family = "conical". Its keys are family,'
        " depth_mm, wall_angle_deg, coverage_deg, roundover_radius_mm. Remove it",
    ),
    "family beside points": (
        waveguide('family = "conical"\npoints_mm = [[0, 12.7], [90, 90]]'),
        'd.toml [waveguide] family = "conical": does not belong to a [waveguide] made of points. Its keys are'
        " points_mm, meridian_csv, corner_deg, smooth_mm. Remove it",
    ),
    "too small": (
        GOOD.replace("depth_mm = 90", "depth_mm = 3.5"),
        "d.toml [waveguide] depth_mm = 3.5: must be 5 to 1000. Raise it; if it is in inches, write 88.9",
    ),
    "metres": (
        GOOD.replace("= 25.4", "= 0.0254"),
        "d.toml [driver] exit_diameter_mm = 0.0254: must be 10 to 150. Is it in metres? Then write 25.4",
    ),
    "micrometres": (
        GOOD.replace("= 25.4", "= 25400"),
        "d.toml [driver] exit_diameter_mm = 25400: must be 10 to 150. Is it in micrometres? Then write 25.4",
    ),
    "radians": (
        GOOD.replace("wall_angle_deg = 42", "wall_angle_deg = 0.4"),
        "d.toml [waveguide] wall_angle_deg = 0.4: must be 0.5 to 89. Raise it; if it is in radians, write 22.9183",
    ),
    "kilohertz": (
        waveguide('family = "tractrix"\ncutoff_hz = 0.5'),
        "d.toml [waveguide] cutoff_hz = 0.5: must be 2 to 30000. Is it in kilohertz? Then write 500",
    ),
    "kelvins": (
        GOOD + "[air]\ntemperature_c = 293.15\nhumidity_percent = 50\n",
        "d.toml [air] temperature_c = 293.15: must be -20 to 50. Is it in kelvins? Then write 20",
    ),
    "hectopascals": (
        GOOD + "[air]\ntemperature_c = 20\nhumidity_percent = 50\npressure_kpa = 1013.25\n",
        "d.toml [air] pressure_kpa = 1013.25: must be 60 to 110. Is it in hectopascals? Then write 101.325",
    ),
    "millimetres of distance": (
        GOOD + "[analysis]\ndistance_m = 2000\n",
        "d.toml [analysis] distance_m = 2000: must be 0.05 to 1000. Is it in millimetres? Then write 2",
    ),
    "humidity as a share": (
        GOOD + "[air]\ntemperature_c = 20\nhumidity_percent = 0.5\n",
        "d.toml [air] humidity_percent = 0.5: must be 0, or 1 to 100. Is it a share from 0 to 1? Then write 50",
    ),
    "no slip in sight": (
        GOOD.replace("wall_angle_deg = 42", "wall_angle_deg = 90"),
        "d.toml [waveguide] wall_angle_deg = 90: must be 0.5 to 89. Lower it",
    ),
    "below the range": (
        CONE + "roundover_radius_mm = -1\n" + DRIVER,
        "d.toml [waveguide] roundover_radius_mm = -1: must be 0 to 500. Raise it",
    ),
    "not a number": (
        GOOD.replace("depth_mm = 90", "depth_mm = nan"),
        "d.toml [waveguide] depth_mm = nan: must be 5 to 1000. Correct it",
    ),
    "number as text": (
        GOOD.replace("depth_mm = 90", 'depth_mm = "90 mm"'),
        'd.toml [waveguide] depth_mm = "90 mm": must be a number, 5 to 1000. Write it without quotation marks or unit,'
        " with a decimal point",
    ),
    "truth for a number": (
        GOOD.replace("depth_mm = 90", "depth_mm = true"),
        "d.toml [waveguide] depth_mm = true: must be a number, 5 to 1000. Write it without quotation marks or unit,"
        " with a decimal point",
    ),
    "part of a bolt": (
        GOOD + "[solid]\nbolts = 3.5\n",
        "d.toml [solid] bolts = 3.5: must be a whole number, 0 to 100. Write it without quotation marks or unit",
    ),
    "name is no text": (
        "name = 5\n" + GOOD,
        'd.toml name = 5: must be text of 1 to 200 characters. Write it between quotation marks, as in "text"',
    ),
    "empty name": ('name = ""\n' + GOOD, 'd.toml name = "": must be text of 1 to 200 characters'),
    "table is no table": (
        "waveguide = 5\n" + DRIVER,
        "d.toml [waveguide]: must be a table. Write its keys on lines of their own below [waveguide]",
    ),
    "unknown mounting": (
        GOOD + '[mounting]\nkind = "bafle"\n',
        'd.toml [mounting] kind = "bafle": must be "baffle", "sphere", "free_standing" or "cabinet". Did you mean'
        " baffle?",
    ),
    "inches close to a bound": (
        GOOD.replace("= 25.4", "= 9"),
        "d.toml [driver] exit_diameter_mm = 9: must be 10 to 150. Raise it",
    ),
    "uneven angles above the largest even step": (
        GOOD + "[analysis]\noff_axis_step_deg = 80\n",
        "d.toml [analysis] off_axis_step_deg = 80: must divide 180 evenly. Write for example 60 or 90",
    ),
    "free-standing as a key": (
        GOOD + "[mounting]\nfree_standing = true\n",
        'd.toml [mounting] free_standing = true: is a kind of mounting. Write kind = "free_standing" instead',
    ),
    "sphere without a radius": (
        GOOD + '[mounting]\nkind = "sphere"\n',
        "d.toml [mounting] radius_mm: missing, a sphere has a radius. Add for example radius_mm = 150",
    ),
    "baffle with a radius": (
        GOOD + "[mounting]\nradius_mm = 150\n",
        'd.toml [mounting] radius_mm: does not belong to kind = "baffle". Remove it, or write kind = "sphere"',
    ),
    "sphere too small": (
        GOOD + '[mounting]\nkind = "sphere"\nradius_mm = 60\n',
        "d.toml [mounting] radius_mm = 60: must be at least the mouth's radius, 93.74. Raise it, or make the mouth"
        " smaller",
    ),
    "air given twice over": (
        GOOD + "[air]\nspeed_of_sound_m_per_s = 343\ntemperature_c = 20\n",
        "d.toml [air] speed_of_sound_m_per_s and temperature_c exclude each other: give speed_of_sound_m_per_s with"
        " density_kg_per_m3, or temperature_c with humidity_percent and pressure_kpa",
    ),
    "density alone": (
        GOOD + "[air]\ndensity_kg_per_m3 = 1.2\n",
        "d.toml [air] speed_of_sound_m_per_s: missing beside density_kg_per_m3. Add for example"
        " speed_of_sound_m_per_s = 343.2",
    ),
    "humidity alone": (
        GOOD + "[air]\nhumidity_percent = 50\n",
        "d.toml [air] temperature_c: missing beside humidity_percent. Add for example temperature_c = 20",
    ),
    "temperature alone": (
        GOOD + "[air]\ntemperature_c = 20\n",
        "d.toml [air] humidity_percent: missing beside temperature_c. Add for example humidity_percent = 50",
    ),
    "two kinds of frequencies": (
        GOOD + "[analysis]\nfrequencies_hz = [500]\nto_hz = 900\n",
        "d.toml [analysis] frequencies_hz and to_hz exclude each other: remove one",
    ),
    "reversed band": (
        GOOD + "[analysis]\nfrom_hz = 25e3\n",
        "d.toml [analysis] from_hz = 25000: must be below to_hz = 20000. Lower it, or raise to_hz",
    ),
    "frequencies that fall": (
        GOOD + "[analysis]\nfrequencies_hz = [500, 1000, 900]\n",
        "d.toml [analysis] frequencies_hz = [500, 1000, 900]: value 3 is 900 after 1000: must rise from each to"
        " the next. Sort the list",
    ),
    "value in a list": (
        GOOD + "[analysis]\nfrequencies_hz = [500, 1000, 2]\n",
        "d.toml [analysis] frequencies_hz, value 3 = 2: must be 10 to 100000. Is it in kilohertz? Then write 2000",
    ),
    "no list": (
        GOOD + "[analysis]\nfrequencies_hz = 500\n",
        "d.toml [analysis] frequencies_hz = 500: must be a list. Write it in square brackets, as in [1, 2]",
    ),
    "empty list": (
        GOOD + "[analysis]\nfrequencies_hz = []\n",
        "d.toml [analysis] frequencies_hz = []: must hold at least 1 value. Add some",
    ),
    "uneven angles": (
        GOOD + "[analysis]\noff_axis_step_deg = 7\n",
        "d.toml [analysis] off_axis_step_deg = 7: must divide 180 evenly. Write for example 6 or 7.5",
    ),
    "broken line": (
        CONE + "depth_mm 90\n" + DRIVER,
        "d.toml line 5: is not TOML (Expected '=' after a key in a key/value pair): depth_mm 90. Correct that line",
    ),
    "decimal comma": (
        GOOD.replace("= 25.4", "= 25,4"),
        "d.toml line 6: is not TOML (Expected newline or end of document after a statement): exit_diameter_mm = 25,4."
        " Write decimals with a point, as in 25.4",
    ),
    "unit behind the number": (
        GOOD.replace("= 25.4", "= 25.4 mm"),
        "d.toml line 6: is not TOML (Expected newline or end of document after a statement): exit_diameter_mm ="
        " 25.4 mm. Write the number alone: its unit stands in the key's name",
    ),
    "text without quotation marks": (
        GOOD.replace('"conical"', "conical"),
        "d.toml line 2: is not TOML (Invalid value): family = conical. Put text between quotation marks, as in"
        ' kind = "baffle"',
    ),
    "key given twice": (
        CONE + "depth_mm = 80\n" + DRIVER,
        "d.toml line 5: is not TOML (Cannot overwrite a value): depth_mm = 80. It is given twice: remove one",
    ),
    "table given twice": (
        GOOD + DRIVER,
        "d.toml line 7: is not TOML (Cannot declare ('driver',) twice): [driver]. It is given twice: remove one",
    ),
    "cut off": (
        GOOD + "[analysis]\nfrequencies_hz = [500,\n",
        "d.toml line 8: is not TOML (Invalid value): frequencies_hz = [500,. Close the list with ]",
    ),
    "empty": (
        "\n# nothing\n",
        'd.toml: is empty. The least that it holds is, for example:\n[waveguide]\nfamily = "conical"\ndepth_mm = 90\n'
        "wall_angle_deg = 42\n[driver]\nexit_diameter_mm = 25.4",
    ),
    "not text": (b"\xff\xfe\x00[", "d.toml: is not UTF-8 text. Save it as UTF-8"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_message(design_message, name):
    text, expected = FAULTS[name]
    found = design_message(text)
    assert expected in found
    if name != "empty":
        assert "\n" not in found  # one fault, one line


def test_all_faults_come_at_once(design_message):
    text = GOOD.replace("depth_mm = 90", "depht_mm = 90").replace("= 25.4", "= 25400") + "[solid]\nbolts = -1\n"
    assert design_message(text).splitlines() == [
        "d.toml [waveguide] depth_mm: missing. Add for example depth_mm = 90",
        "d.toml [waveguide] depht_mm = 90: unknown key. Did you mean depth_mm?",
        "d.toml [driver] exit_diameter_mm = 25400: must be 10 to 150. Is it in micrometres? Then write 25.4",
        "d.toml [solid] bolts = -1: must be 0 to 100. Raise it",
    ]


def test_endless_faults_are_cut_short(design_message):
    values = ", ".join(["1"] * 50)
    lines = design_message(GOOD + f"[analysis]\nfrequencies_hz = [{values}]\n").splitlines()
    assert len(lines) == 21
    assert lines[-1] == "d.toml: and 30 more faults like these"


def test_no_file(tmp_path):
    with pytest.raises(InputError, match=r"none\.toml: cannot be read \(No such file"):
        read_design(tmp_path / "none.toml")


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_unreadable_file(tmp_path):
    path = tmp_path / "d.toml"
    path.write_text(GOOD)
    path.chmod(0)
    with pytest.raises(InputError, match="cannot be read"):
        read_design(path)


def test_a_byte_order_mark_is_no_fault(tmp_path):
    path = tmp_path / "d.toml"
    path.write_text(GOOD, encoding="utf-8-sig")
    assert read_design(path).waveguide.shape.depth == 0.09
