"""Every message about the wall in a design file: shapes without one, points, and the CSV that holds them."""

import pytest

from design_texts import CONE, DRIVER, waveguide

FAULTS = {
    "points from the mouth": (
        waveguide("points_mm = [[60, 12.7], [0, 90]]"),
        "the first point lies at z_mm = 60: must be 0, the throat plane. Does z count from the mouth? Then write"
        " 60 - z for every z_mm",
    ),
    "points from mouth to throat": (
        waveguide("points_mm = [[60, 90], [0, 12.7]]"),
        "the first point lies at z_mm = 60: must be 0, the throat plane. They run from mouth to throat: reverse the"
        " order",
    ),
    "points that begin behind the throat": (
        waveguide("points_mm = [[-5, 12.7], [60, 90]]"),
        "the first point lies at z_mm = -5: must be 0, the throat plane. Add 5 to every z_mm",
    ),
    "points below the axis": (
        waveguide("points_mm = [[0, 12.7], [40, -5], [60, 90]]"),
        "d.toml [waveguide] points_mm: point 2 has r_mm = -5: must be above 0, the axis. Correct it, or remove the"
        " point",
    ),
    "folder for a CSV": (
        waveguide('meridian_csv = "."'),
        'd.toml [waveguide] meridian_csv = ".": is a folder. Name the CSV file',
    ),
    "no name for a CSV": (
        waveguide('meridian_csv = ""'),
        'd.toml [waveguide] meridian_csv = "": must be text of 1 to 4000 characters',
    ),
    "free curve that ends below the axis": (
        waveguide('family = "free"\narc_length_mm = 100\nthroat_angle_deg = -30\ncurvature_per_m = [0, 0]'),
        "d.toml [waveguide] the wall meets the axis at z_mm = 86.6: must stay above it. Raise throat_angle_deg or"
        " curvature_per_m",
    ),
    "roundover too large": (
        CONE + "roundover_radius_mm = 400\n" + DRIVER,
        "d.toml [waveguide] roundover_radius_mm = 400 leaves no wall within depth_mm = 90: must be smaller, or the"
        " waveguide deeper",
    ),
    "tractrix too short": (
        waveguide('family = "tractrix"\ncutoff_hz = 500\ndepth_mm = 400'),
        "d.toml [waveguide] depth_mm = 400: this tractrix ends at 201.9 mm. Lower depth_mm, leave it out, or lower"
        " cutoff_hz",
    ),
    "tractrix narrower than the exit": (
        waveguide('family = "tractrix"\ncutoff_hz = 9000'),
        "d.toml [waveguide] the tractrix of 6.06911 mm is not wider than the exit (12.7 mm): lower its cutoff_hz",
    ),
    "mouth as wide as a house": (
        waveguide('family = "exponential"\ndepth_mm = 1000\ncutoff_hz = 30000'),
        "mm diameter: must be at most 4000. Lower depth, angle, curvature or cutoff",
    ),
    "free curve turned back": (
        waveguide('family = "free"\narc_length_mm = 100\nthroat_angle_deg = 5\ncurvature_per_m = [20, 20]'),
        "d.toml [waveguide] curvature_per_m turns the wall to 119.6 degrees: must be at most 90. Lower it, or the arc",
    ),
    "free curve that crosses itself": (
        waveguide('family = "free"\narc_length_mm = 400\nthroat_angle_deg = 20\ncurvature_per_m = [0, 60, -60, 0]'),
        "d.toml [waveguide]: the profile crosses itself. Lower its curvature or its length",
    ),
    "free curve into the axis": (
        waveguide('family = "free"\narc_length_mm = 200\nthroat_angle_deg = -30\ncurvature_per_m = [0, 0, 5, 30, 0]'),
        "d.toml [waveguide]: the wall meets the axis at z_mm = 117.7: must stay above it. Raise throat_angle_deg or the"
        " first values of curvature_per_m",
    ),
    "points backwards": (
        waveguide("points_mm = [[0, 12.7], [-20, 60]]"),
        "d.toml [waveguide] ends at z_mm = -20: must lie in front of the throat plane. Give points from throat to"
        " mouth; lower the curvature of a free curve",
    ),
    "points not from the throat": (
        waveguide("points_mm = [[3, 12.7], [20, 60]]"),
        "d.toml [waveguide] points_mm: the first point lies at z_mm = 3: must be 0, the throat plane. Do they run"
        " from mouth to throat? Reverse the order; else subtract 3 from every z_mm",
    ),
    "points that cross": (
        waveguide("points_mm = [[0, 12.7], [50, 60], [50, 20], [0, 70]]"),
        "d.toml [waveguide] points_mm: the profile crosses itself: give the points in order from throat to mouth",
    ),
    "point of three": (
        waveguide("points_mm = [[0, 12.7, 1], [20, 60]]"),
        "d.toml [waveguide] points_mm, value 1 = [0, 12.7, 1]: must hold at most 2 values. Remove some",
    ),
    "one point": (
        waveguide("points_mm = [[0, 12.7]]"),
        "d.toml [waveguide] points_mm = [[0, 12.7]]: must hold at least 2 values. Add some",
    ),
    "text in a point": (
        waveguide('points_mm = [[0, 12.7], [20, "60"]]'),
        'd.toml [waveguide] points_mm, value 2 of 2 = "60": must be a number, -2000 to 2000.',
    ),
    "points beside a CSV": (
        waveguide('points_mm = [[0, 12.7], [20, 60]]\nmeridian_csv = "p.csv"'),
        "d.toml [waveguide] points_mm and meridian_csv exclude each other: remove one",
    ),
    "points in metres": (
        waveguide("points_mm = [[0, 0.0127], [0.09, 0.1]]"),
        "d.toml [waveguide] begins at r_mm = 0.0127: must be within 10% of half of [driver] exit_diameter_mm = 25.4."
        " Are the points in metres?",
    ),
    "points of diameters": (
        waveguide("points_mm = [[0, 25.4], [90, 200]]"),
        "d.toml [waveguide] begins at r_mm = 25.4: must be within 10% of half of [driver] exit_diameter_mm = 25.4."
        " Is r_mm a diameter?",
    ),
    "points of another driver": (
        waveguide("points_mm = [[0, 18], [90, 200]]"),
        "d.toml [waveguide] begins at r_mm = 18: must be within 10% of half of [driver] exit_diameter_mm = 25.4."
        " Correct the points, or the driver",
    ),
    "missing CSV": (waveguide('meridian_csv = "none.csv"'), "none.csv: cannot be read (No such file or directory)"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_message(design_message, name):
    text, expected = FAULTS[name]
    found = design_message(text)
    assert expected in found
    assert "\n" not in found  # one fault, one line


CSV = waveguide('meridian_csv = "p.csv"')
CSV_FAULTS = {
    "no points": (
        "# only a comment\n",
        "p.csv: holds no points. Write a header line z_mm,r_mm and a line for each point",
    ),
    "no header": ("0,12.7\n90,90\n", "p.csv line 1: columns are 0, 12.7: must include z_mm and r_mm. Name them"),
    "semicolons": (
        "# x\nz_mm;r_mm\n0,0;12,7\n",
        "p.csv line 2: columns are z_mm;r_mm: must include z_mm and r_mm. Separate columns by commas, and write"
        " decimals with a point",
    ),
    "decimal commas": (
        "z_mm,r_mm\n0,0,12,7\n",
        "p.csv line 2: holds 4 values for 2 columns: must be as many. Are there decimal commas? Write decimals with a"
        " point",
    ),
    "quoted decimal commas": (
        'z_mm,r_mm\n0,"12,7"\n',
        "p.csv line 2 r_mm = 12,7: must be a number. Write decimals with a point",
    ),
    "short row": (
        "z_mm,r_mm\n\n0,12.7\n40\n",
        "p.csv line 4: holds 1 value for 2 columns: must be as many. Complete it",
    ),
    "word": ("z_mm,r_mm\n0,twelve\n", "p.csv line 2 r_mm = twelve: must be a number. Correct it"),
    "empty cell": ("z_mm,r_mm\n0,\n", "p.csv line 2 r_mm = : must be a number. Correct it"),
    "micrometres": (
        "z_mm,r_mm\n0,12700\n",
        "p.csv line 2 r_mm = 12700: must be -2000 to 2000. Is it in micrometres? Then write 12.7",
    ),
    "not a number": ("z_mm,r_mm\n0,12.7\n40,nan\n", "p.csv line 3 r_mm = nan: must be -2000 to 2000. Correct it"),
    "infinite": ("z_mm,r_mm\n0,12.7\ninf,40\n", "p.csv line 3 z_mm = inf: must be -2000 to 2000. Correct it"),
    "no unit would do": ("z_mm,r_mm\n0,1e9\n", "p.csv line 2 r_mm = 1e9: must be -2000 to 2000. Correct it"),
    "below the axis": (
        "z_mm,r_mm\n0,12.7\n40,-40\n",
        "p.csv line 3 r_mm = -40: must be above 0, the axis. Correct it, or remove the line",
    ),
    "one point": (
        "z_mm,r_mm\n0,12.7\n",
        "p.csv: holds 1 point (z, r): must be two at least, from throat to mouth. Add the others",
    ),
}


@pytest.mark.parametrize("name", CSV_FAULTS)
def test_message_about_a_csv(design_message, name):
    content, expected = CSV_FAULTS[name]
    assert design_message(CSV, p=content) == expected
