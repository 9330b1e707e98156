"""Every message about an oblong waveguide in a design file: planes, sections, and what it asks of other tables."""

import pytest

from design_texts import DRIVER, GOOD, HORIZONTAL, OBLONG, VERTICAL, oblong, planes

CSVS = '[waveguide]\nhorizontal_csv = "h.csv"\nvertical_csv = "v.csv"\n'
STRAIGHT = "points_mm = [[0, 12.7], [90, 60]]"
FAULTS = {
    "no vertical table": (
        HORIZONTAL + DRIVER,
        'd.toml [waveguide.vertical]: missing table. Add it, with family = "conical"',
    ),
    "no horizontal table": (
        VERTICAL + DRIVER,
        'd.toml [waveguide.horizontal]: missing table. Add it, with family = "conical"',
    ),
    "no vertical CSV": (
        '[waveguide]\nhorizontal_csv = "h.csv"\n' + DRIVER,
        'd.toml [waveguide] vertical_csv: missing. Add for example vertical_csv = "vertical.csv"',
    ),
    "no horizontal CSV": (
        '[waveguide]\nvertical_csv = "v.csv"\n' + DRIVER,
        'd.toml [waveguide] horizontal_csv: missing. Add for example horizontal_csv = "horizontal.csv"',
    ),
    "CSV for a plane that has a table": (
        oblong('horizontal_csv = "h.csv"'),
        'd.toml [waveguide] horizontal_csv = "h.csv": does not go with [waveguide.horizontal] and [waveguide.vertical].'
        " Write it as meridian_csv in [waveguide.horizontal], or remove it",
    ),
    "family beside planes": (
        oblong('family = "conical"'),
        'd.toml [waveguide] family = "conical": unknown key here. It belongs in [waveguide.horizontal] or'
        " [waveguide.vertical]: move it there",
    ),
    "depth beside planes, which a cabinet has too": (
        oblong("depth_mm = 90"),
        "d.toml [waveguide] depth_mm = 90: unknown key here. It belongs in [waveguide.horizontal] or"
        " [waveguide.vertical]: move it there",
    ),
    "depth beside planes of points": (
        "[waveguide]\ndepth_mm = 90\n" + planes(STRAIGHT, STRAIGHT),
        "d.toml [waveguide] depth_mm = 90: each plane has a wall of its own. Move it into [waveguide.horizontal] and"
        " [waveguide.vertical], or remove it",
    ),
    "key of a wall that neither plane has": (
        oblong('meridian_csv = "p.csv"'),
        'd.toml [waveguide] meridian_csv = "p.csv": each plane has a wall of its own. Move it into'
        " [waveguide.horizontal] and [waveguide.vertical], or remove it",
    ),
    "family beside CSVs": (
        CSVS + 'family = "conical"\n' + DRIVER,
        'd.toml [waveguide] family = "conical": does not belong to a [waveguide] made of horizontal_csv and'
        " vertical_csv. Its keys are section_exponent, corner_radius_mm, horizontal_csv, vertical_csv, corner_deg,"
        " smooth_mm. Remove it",
    ),
    "unknown key near one of a plane": (
        OBLONG.replace("wall_angle_deg = 25", "coverage_deg = 50\nroundover_mm = 5"),
        "d.toml [waveguide.vertical] roundover_mm = 5: unknown key. Did you mean roundover_radius_mm?",
    ),
    "unknown key near one of the waveguide": (
        oblong("section_exponnt = 3"),
        "d.toml [waveguide] section_exponnt = 3: unknown key. Did you mean section_exponent?",
    ),
    "section in a plane": (
        OBLONG.replace(DRIVER, "section_exponent = 3\n" + DRIVER),
        "d.toml [waveguide.vertical] section_exponent = 3: unknown key here. It belongs in [waveguide]: move it there",
    ),
    "third plane": (
        OBLONG + "[waveguide.diagonal]\ndepth_mm = 90\n",
        "d.toml [waveguide.diagonal]: unknown table. Remove it; allowed are section_exponent, corner_radius_mm,"
        " horizontal, vertical",
    ),
    "family of a plane": (
        OBLONG.replace('"conical"', '"conicle"'),
        'd.toml [waveguide.horizontal] family = "conicle": must be "conical", "exponential", "hyperbolic", "tractrix",'
        ' "oblate_spheroidal" or "free". Did you mean conical?',
    ),
    "value out of range in a plane": (
        OBLONG.replace("wall_angle_deg = 25", "wall_angle_deg = 125"),
        "d.toml [waveguide.vertical] wall_angle_deg = 125: must be 0.5 to 89. Lower it",
    ),
    "section of a round waveguide": (
        GOOD.replace(DRIVER, "section_exponent = 3\n" + DRIVER),
        "d.toml [waveguide] section_exponent = 3: is for an oblong waveguide, with horizontal_csv and vertical_csv, or"
        " with [waveguide.horizontal] and [waveguide.vertical]. Remove it, or add those",
    ),
    "two sections": (
        oblong("section_exponent = 3\ncorner_radius_mm = 20"),
        "d.toml [waveguide] section_exponent and corner_radius_mm exclude each other, a superellipse and a rounded"
        " rectangle: remove one",
    ),
    "exponent too large": (
        oblong("section_exponent = 30"),
        "d.toml [waveguide] section_exponent = 30: must be 1.5 to 20. Lower it",
    ),
    "exponent too small": (
        oblong("section_exponent = 1"),
        "d.toml [waveguide] section_exponent = 1: must be 1.5 to 20. Raise it",
    ),
    "exponent a hair too large": (
        oblong("section_exponent = 20.00000001"),
        "d.toml [waveguide] section_exponent = 20: must be 1.5 to 20",
    ),
    "exponent as text": (
        oblong('section_exponent = "3"'),
        'd.toml [waveguide] section_exponent = "3": must be a number, 1.5 to 20. Write it without quotation marks or'
        " unit, with a decimal point",
    ),
    "exponent in a list": (
        oblong("section_exponent = [3]"),
        "d.toml [waveguide] section_exponent, value 1 = 3: must be a list. Write it in square brackets, as in [1, 2]",
    ),
    "no pairs": (
        oblong("section_exponent = []"),
        "d.toml [waveguide] section_exponent = []: must hold at least 1 value. Add some",
    ),
    "pair of three": (
        oblong("section_exponent = [[0, 2], [90, 4, 1]]"),
        "d.toml [waveguide] section_exponent, value 2 = [90, 4, 1]: must hold at most 2 values. Remove some",
    ),
    "text in a pair": (
        oblong('section_exponent = [[0, 2], [90, "4"]]'),
        'd.toml [waveguide] section_exponent, value 2 of 2 = "4": must be a number, 0 to 2000.',
    ),
    "pair behind the throat": (
        oblong("section_exponent = [[-5, 2], [90, 4]]"),
        "d.toml [waveguide] section_exponent, value 1 of 1 = -5: must be 0 to 2000. Raise it",
    ),
    "pair the wrong way round": (
        oblong("section_exponent = [[0, 2], [4, 90]]"),
        "d.toml [waveguide] section_exponent, value 2 = [4, 90]: the exponent, 90, must be 1.5 to 20. Is it the depth?"
        " Write z_mm first, then the exponent",
    ),
    "exponent of a pair too large": (
        oblong("section_exponent = [[0, 2], [90, 40]]"),
        "d.toml [waveguide] section_exponent, value 2 = [90, 40]: the exponent, 40, must be 1.5 to 20. Lower it",
    ),
    "exponent of a pair too small": (
        oblong("section_exponent = [[0, 2], [90, 1]]"),
        "d.toml [waveguide] section_exponent, value 2 = [90, 1]: the exponent, 1, must be 1.5 to 20. Raise it",
    ),
    "pairs out of order": (
        oblong("section_exponent = [[0, 2], [90, 4], [50, 3]]"),
        "d.toml [waveguide] section_exponent = [[0, 2], [90, 4], [50, 3]]: value 3 is at z_mm = 50 after 90: must rise"
        " by 0.001 at least. Sort the pairs, or remove one",
    ),
    "throat that is not round": (
        oblong("section_exponent = [[0, 3], [90, 4]]"),
        "d.toml [waveguide] section_exponent = [[0, 3], [90, 4]]: the exponent at z_mm = 0 is 3: must be 2, the throat"
        " is round. Write [0, 2], or leave that pair out",
    ),
    "pairs in metres": (
        oblong("section_exponent = [[0, 2], [0.09, 4]]"),
        "d.toml [waveguide] section_exponent = [[0, 2], [0.09, 4]]: ends at z_mm = 0.09: must reach 1 at least. Is z_mm"
        " in metres?",
    ),
    "corner too round": (
        oblong("corner_radius_mm = 80"),
        "d.toml [waveguide] corner_radius_mm = 80: must be at most half the mouth's smaller side, 43.85. Lower it",
    ),
    "corner in metres": (
        oblong("corner_radius_mm = 0.03"),
        "d.toml [waveguide] corner_radius_mm = 0.03: must be 0.5 to 1000. Is it in metres? Then write 30",
    ),
    "two depths": (
        OBLONG.replace("= 90", "= 92", 1),
        "d.toml [waveguide.horizontal] is 92 mm deep, [waveguide.vertical] 90: must be equal, since the mouth lies in a"
        " plane. Write one depth_mm in both",
    ),
    "depths of points and of a free curve": (
        planes(STRAIGHT, 'family = "free"\narc_length_mm = 100\nthroat_angle_deg = 5\ncurvature_per_m = [1, 2]'),
        "d.toml [waveguide.horizontal] is 90 mm deep, [waveguide.vertical] 98.72431: must be equal, since the mouth"
        " lies in a plane. Change the last z_mm of the one, or arc_length_mm of the other",
    ),
    "two throats": (
        planes(STRAIGHT, "points_mm = [[0, 13], [90, 60]]"),
        "d.toml [waveguide.horizontal] begins at r_mm = 12.7, [waveguide.vertical] at 13: must be equal, since the"
        " throat is round. Correct the points",
    ),
    "points of another driver": (
        planes(STRAIGHT, "points_mm = [[0, 18], [90, 60]]"),
        "d.toml [waveguide.vertical] begins at r_mm = 18: must be within 10% of half of [driver] exit_diameter_mm ="
        " 25.4. Correct the points, or the driver",
    ),
    "points not from the throat": (
        planes(STRAIGHT, "points_mm = [[2, 12.7], [90, 60]]"),
        "d.toml [waveguide.vertical] points_mm: the first point lies at z_mm = 2: must be 0, the throat plane.",
    ),
    "wall that runs back": (
        planes(STRAIGHT, "points_mm = [[0, 12.7], [50, 30], [40, 40], [90, 60]]"),
        "d.toml [waveguide.vertical] the wall does not advance along the axis at z_mm = 50: must rise in z everywhere",
    ),
    "wall into the axis": (
        planes(
            'family = "free"\narc_length_mm = 200\nthroat_angle_deg = -30\ncurvature_per_m = [0, 0, 5, 30, 0]', STRAIGHT
        ),
        "d.toml [waveguide.horizontal]: the wall meets the axis at z_mm = 117.7: must stay above it.",
    ),
    "tractrix narrower than the exit": (
        planes(STRAIGHT, 'family = "tractrix"\ncutoff_hz = 9000'),
        "d.toml [waveguide.vertical] the tractrix of 6.06911 mm is not wider than the exit (12.7 mm)",
    ),
    "mouth as wide as a house": (
        planes(STRAIGHT, 'family = "exponential"\ndepth_mm = 1000\ncutoff_hz = 30000'),
        "mm height: must be at most 4000. Lower depth, angle, curvature or cutoff",
    ),
    "mouth in a sphere": (
        OBLONG + '[mounting]\nkind = "sphere"\nradius_mm = 200\n',
        'd.toml [mounting] kind = "sphere": must be "baffle", "cabinet" or "free_standing" for an oblong'
        " waveguide, a sphere takes a"
        ' round mouth only. Write kind = "baffle" without radius_mm, or make the waveguide round',
    ),
    "azimuths of a round waveguide": (
        GOOD + "[analysis]\nazimuths_deg = [0, 90]\n",
        "d.toml [analysis] azimuths_deg = [0, 90]: is for an oblong waveguide: a round one sounds the same in every"
        " plane. Remove it",
    ),
    "azimuths without the vertical plane": (
        OBLONG + "[analysis]\nazimuths_deg = [0, 45]\n",
        "d.toml [analysis] azimuths_deg = [0, 45]: must include 0 and 90, the horizontal and the vertical plane. Add"
        " 90",
    ),
    "azimuths without the horizontal plane": (
        OBLONG + "[analysis]\nazimuths_deg = [30, 90]\n",
        "d.toml [analysis] azimuths_deg = [30, 90]: must include 0 and 90, the horizontal and the vertical plane. Add"
        " 0",
    ),
    "azimuths that fall": (
        OBLONG + "[analysis]\nazimuths_deg = [0, 60, 30, 90]\n",
        "d.toml [analysis] azimuths_deg = [0, 60, 30, 90]: value 3 is 30 after 60: must rise from each to the next."
        " Sort the list",
    ),
    "azimuth beyond the vertical plane": (
        OBLONG + "[analysis]\nazimuths_deg = [0, 90, 135]\n",
        "d.toml [analysis] azimuths_deg, value 3 = 135: must be 0 to 90. Lower it",
    ),
    "rectangle around a round waveguide": (
        GOOD + "[solid]\nflange_width_mm = 300\n",
        "d.toml [solid] flange_width_mm = 300: is for an oblong waveguide: around a round one the flange is round."
        " Write flange_diameter_mm, or remove it",
    ),
    "half a rectangle": (
        OBLONG + "[solid]\nflange_width_mm = 300\n",
        "d.toml [solid] flange_height_mm: missing beside flange_width_mm. Add for example flange_height_mm = 300, or"
        " write flange_diameter_mm for a round flange",
    ),
    "two flanges": (
        OBLONG + "[solid]\nflange_width_mm = 300\nflange_height_mm = 200\nflange_diameter_mm = 320\n",
        "d.toml [solid] flange_diameter_mm and flange_width_mm exclude each other, a round flange and a rectangular"
        " one: remove one",
    ),
    "key at home in a plane": (
        "wall_angle_deg = 42\n" + OBLONG,
        "d.toml wall_angle_deg = 42: unknown key here. It belongs in [waveguide.horizontal] or [waveguide.vertical]:"
        " move it there",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_message(design_message, name):
    text, expected = FAULTS[name]
    found = design_message(text)
    assert expected in found
    assert "\n" not in found  # one fault, one line


LISTS = {
    "table that is misspelled": (
        OBLONG.replace("[waveguide.vertical]", "[waveguide.vertcal]"),
        [
            'd.toml [waveguide.vertical]: missing table. Add it, with family = "conical"',
            "d.toml [waveguide.vertcal]: unknown table. Did you mean [waveguide.vertical]?",
        ],
    ),
    "tables by other names": (
        "[waveguide.x]\ndepth_mm = 90\n" + DRIVER,
        [
            'd.toml [waveguide.horizontal]: missing table. Add it, with family = "conical"',
            'd.toml [waveguide.vertical]: missing table. Add it, with family = "conical"',
            "d.toml [waveguide.x]: unknown table. Remove it; allowed are section_exponent, corner_radius_mm,"
            " horizontal, vertical",
        ],
    ),
    "sections between no walls": (
        "[waveguide]\nsection_exponent = 3\n" + DRIVER,
        [
            'd.toml [waveguide.horizontal]: missing table. Add it, with family = "conical"',
            'd.toml [waveguide.vertical]: missing table. Add it, with family = "conical"',
        ],
    ),
    "planes that are no tables": (
        "[waveguide]\nhorizontal = 90\nvertical = 80\n" + DRIVER,
        [
            "d.toml [waveguide.horizontal]: must be a table. Write its keys on lines of their own below"
            " [waveguide.horizontal]",
            "d.toml [waveguide.vertical]: must be a table. Write its keys on lines of their own below"
            " [waveguide.vertical]",
        ],
    ),
    "one plane of each form": (
        '[waveguide]\nhorizontal_csv = "h.csv"\n' + VERTICAL + DRIVER,
        [
            'd.toml [waveguide.horizontal]: missing table. Add it, with family = "conical"',
            'd.toml [waveguide] horizontal_csv = "h.csv": does not go with [waveguide.horizontal] and'
            " [waveguide.vertical]. Write it as meridian_csv in [waveguide.horizontal], or remove it",
        ],
    ),
    "every table at fault": (
        "[waveguide]\nsection_exponent = 30\n"
        + HORIZONTAL.replace("42", "420")
        + VERTICAL.replace("depth_mm", "depht_mm")
        + DRIVER
        + '[mounting]\nkind = "sphere"\nradius_mm = 200\n[analysis]\nazimuths_deg = [0]\n[solid]\nbolts = -1\n',
        [
            "d.toml [waveguide] section_exponent = 30: must be 1.5 to 20. Lower it",
            "d.toml [waveguide.horizontal] wall_angle_deg = 420: must be 0.5 to 89. Lower it",
            "d.toml [waveguide.vertical] depth_mm: missing. Add for example depth_mm = 90",
            "d.toml [waveguide.vertical] depht_mm = 90: unknown key. Did you mean depth_mm?",
            'd.toml [mounting] kind = "sphere": must be "baffle", "cabinet" or "free_standing" for an oblong'
            " waveguide, a sphere takes"
            ' a round mouth only. Write kind = "baffle" without radius_mm, or make the waveguide round',
            "d.toml [analysis] azimuths_deg = [0]: must hold at least 2 values. Add some",
            "d.toml [solid] bolts = -1: must be 0 to 100. Raise it",
        ],
    ),
    "walls of both planes": (
        planes("points_mm = [[0, 12.7], [90, -1]]", "points_mm = [[2, 12.7], [90, 60]]"),
        [
            "d.toml [waveguide.horizontal] points_mm: point 2 has r_mm = -1: must be above 0, the axis. Correct it, or"
            " remove the point",
            "d.toml [waveguide.vertical] points_mm: the first point lies at z_mm = 2: must be 0, the throat plane. Do"
            " they run from mouth to throat? Reverse the order; else subtract 2 from every z_mm",
        ],
    ),
}


@pytest.mark.parametrize("name", LISTS)
def test_all_faults_come_at_once(design_message, name):
    text, expected = LISTS[name]
    assert design_message(text).splitlines() == expected


def test_messages_about_csvs_name_each(design_message):
    found = design_message(CSVS + DRIVER, h="z_mm,r_mm\n0,12.7\n", v="z_mm,r_mm\n0,twelve\n")
    assert found.splitlines() == [
        "h.csv: holds 1 point (z, r): must be two at least, from throat to mouth. Add the others",
        "v.csv line 2 r_mm = twelve: must be a number. Correct it",
    ]
    assert design_message(CSVS.replace("v.csv", ".") + DRIVER, h="z_mm,r_mm\n0,12.7\n90,60\n") == (
        'd.toml [waveguide] vertical_csv = ".": is a folder. Name the CSV file'
    )


def test_messages_about_walls_from_csvs_name_their_keys(design_message):
    found = design_message(CSVS + DRIVER, h="z_mm,r_mm\n0,12.7\n90,60\n", v="z_mm,r_mm\n0,12.7\n80,60\n")
    assert found == (
        "d.toml [waveguide] horizontal_csv is 90 mm deep, [waveguide] vertical_csv 80: must be equal, since the mouth"
        " lies in a plane. Change the last z_mm of the one, or the last z_mm of the other"
    )
