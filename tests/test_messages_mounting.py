"""Every message about the body and the driver in a design file, as the user reads it."""

import pytest

from design_texts import DRIVER, GOOD, OBLONG, waveguide

FREE = '[mounting]\nkind = "free_standing"\n'
CABINET = FREE + 'outline = "round_cabinet"\n'
SHELL = FREE + 'outline = "rolled_shell"\n'
IMPEDANCE = GOOD + 'source = "impedance"\n'

FAULTS = {
    "nothing said of the body": (
        GOOD + FREE,
        'd.toml [mounting] outline: missing, kind = "free_standing" has a body. Add outline = "rolled_shell" or'
        ' "round_cabinet" with its sizes, or body_csv = "body.csv", or let [waveguide] meridian_csv run on round the'
        " back to the axis",
    ),
    "unknown outline": (
        GOOD + FREE + 'outline = "round_cabin"\n',
        'd.toml [mounting] outline = "round_cabin": must be "rolled_shell" or "round_cabinet". Did you mean'
        " round_cabinet?",
    ),
    "size missing": (
        GOOD + CABINET + "diameter_mm = 300\n",
        'd.toml [mounting] depth_mm: missing, outline = "round_cabinet" has one. Add for example depth_mm = 250',
    ),
    "size of another outline": (
        GOOD + CABINET + "diameter_mm = 300\ndepth_mm = 250\nrim_radius_mm = 20\n",
        'd.toml [mounting] rim_radius_mm: does not belong to outline = "round_cabinet". Its sizes are diameter_mm,'
        " depth_mm, edge_radius_mm. Remove it",
    ),
    "size without an outline": (
        GOOD + FREE + "edge_radius_mm = 20\n",
        'd.toml [mounting] outline: missing beside edge_radius_mm. Add outline = "round_cabinet"',
    ),
    "size beside points": (
        GOOD + FREE + 'body_csv = "b.csv"\nedge_radius_mm = 20\n',
        "d.toml [mounting] edge_radius_mm: does not belong to body_csv. Remove it",
    ),
    "outline and points": (
        GOOD + CABINET + 'diameter_mm = 300\ndepth_mm = 250\nbody_csv = "b.csv"\n',
        "d.toml [mounting] outline and body_csv exclude each other: remove one",
    ),
    "corner of a named outline": (
        GOOD + CABINET + "diameter_mm = 300\ndepth_mm = 250\ncorner_deg = 12\n",
        "d.toml [mounting] corner_deg: is for the points of a body. Remove it, or give body_csv",
    ),
    "body in a baffle": (
        GOOD + "[mounting]\ndiameter_mm = 300\n",
        'd.toml [mounting] diameter_mm: does not belong to kind = "baffle". Remove it, or write kind = "free_standing"',
    ),
    "body of a sphere": (
        GOOD + '[mounting]\nkind = "sphere"\nradius_mm = 150\nbody_csv = "b.csv"\n',
        'd.toml [mounting] body_csv: does not belong to kind = "sphere". Remove it, or write kind = "free_standing"',
    ),
    "radius of a body": (
        GOOD + CABINET + "diameter_mm = 300\ndepth_mm = 250\nradius_mm = 150\n",
        'd.toml [mounting] radius_mm: does not belong to kind = "free_standing". Remove it, or write kind = "sphere"',
    ),
    "size in metres": (
        GOOD + CABINET + "diameter_mm = 300\ndepth_mm = -1\n",
        "d.toml [mounting] depth_mm = -1: must be 0 to 5000. Raise it",
    ),
    "cabinet narrower than the mouth": (
        GOOD + CABINET + "diameter_mm = 180\ndepth_mm = 250\n",
        "d.toml [mounting] diameter_mm = 180: must be at least the mouth's, 187.5. Raise it, or make the mouth smaller",
    ),
    "cabinet too shallow for the driver": (
        GOOD + CABINET + "diameter_mm = 300\ndepth_mm = 92\n",
        "d.toml [mounting] depth_mm = 92: must be at least 95, the waveguide's 90 and 5 for the driver's seat. Raise"
        " it, or make the waveguide shallower",
    ),
    "edge larger than the cabinet": (
        GOOD + CABINET + "diameter_mm = 300\ndepth_mm = 250\nedge_radius_mm = 200\n",
        "d.toml [mounting] edge_radius_mm = 200: must be 0 to 56.2, what the mouth leaves of the front. Lower it, or"
        " raise diameter_mm",
    ),
    "rim too large": (
        GOOD + SHELL + "rim_radius_mm = 70\nback_diameter_mm = 120\nback_depth_mm = 40\n",
        "d.toml [mounting] rim_radius_mm = 70: must be 0 to 64.9, less than half of the way from the mouth to the back."
        " Lower it, or raise back_depth_mm",
    ),
    "back too shallow for the driver": (
        GOOD + SHELL + "rim_radius_mm = 20\nback_diameter_mm = 120\nback_depth_mm = 4\n",
        "d.toml [mounting] back_depth_mm = 4: must be at least 5, behind the throat plane, for the driver's seat. Raise"
        " it",
    ),
    "edge of the back too large": (
        GOOD + SHELL + "rim_radius_mm = 20\nback_diameter_mm = 120\nback_depth_mm = 40\nback_edge_radius_mm = 200\n",
        "d.toml [mounting] back_edge_radius_mm = 200: must be 0 to ",
    ),
    "oblong waveguide": (
        OBLONG + CABINET + "diameter_mm = 300\ndepth_mm = 250\n",
        'd.toml [mounting] outline = "round_cabinet": must be "rolled_shell" for an oblong mouth, a cylinder takes a'
        ' round one. Write outline = "rolled_shell" with its sizes, which follows the mouth, or kind = "cabinet" for a'
        " box, or make the waveguide round",
    ),
    "body of points around an oblong waveguide": (
        OBLONG + FREE + 'body_csv = "body.csv"\n',
        'd.toml [mounting] body_csv: must be outline = "rolled_shell" for an oblong mouth, points give a body of'
        ' revolution. Write outline = "rolled_shell"',
    ),
    "no such body": (
        GOOD + FREE + 'body_csv = "none.csv"\n',
        "none.csv: cannot be read (No such file or directory). Check the path and its permissions",
    ),
    "body is a folder": (
        GOOD + FREE + 'body_csv = "."\n',
        'd.toml [mounting] body_csv = ".": is a folder. Name the CSV file',
    ),
    "body in the file": (
        GOOD + FREE + "body_points_mm = [[90, 99], [-20, 99], [-20, 0]]\n",
        "d.toml [mounting] body_points_mm: the first point lies at z_mm = 90, r_mm = 99: must be the mouth's rim, at"
        " z_mm = 90, r_mm = 93.74, to 0.1. Correct it; z counts from the throat plane",
    ),
    "diameter of the exit by another name": (
        GOOD + "diameter_mm = 25.4\n",
        "d.toml [driver] diameter_mm = 25.4: unknown key. Did you mean exit_diameter_mm?",
    ),
    "profile from somewhere": (
        GOOD + "velocity_profile = [[0.1, 1], [1, 0.8]]\n",
        "d.toml [driver] velocity_profile = [[0.1, 1], [1, 0.8]]: the first share of the exit's radius is 0.1: must be"
        " 0, at the axis. Add a pair for it",
    ),
    "profile to somewhere": (
        GOOD + "velocity_profile = [[0, 1], [0.9, 0.8]]\n",
        "d.toml [driver] velocity_profile = [[0, 1], [0.9, 0.8]]: the last share of the exit's radius is 0.9: must be"
        " 1, at the edge. Add a pair for it",
    ),
    "profile that goes back": (
        GOOD + "velocity_profile = [[0, 1], [0.6, 0.9], [0.5, 0.9], [1, 0.8]]\n",
        "value 3 is at 0.5 after 0.6: must rise from each to the next. Sort the pairs",
    ),
    "profile that stands still": (
        GOOD + "velocity_profile = [[0, 0], [1, 0]]\n",
        "d.toml [driver] velocity_profile = [[0, 0], [1, 0]]: is 0 everywhere: must be above 0 somewhere. Raise a"
        " velocity",
    ),
    "profile that moves backward": (
        GOOD + "velocity_profile = [[0, 1], [1, -0.5]]\n",
        "d.toml [driver] velocity_profile, value 2 of 2 = -0.5: must be 0 to 100. Raise it",
    ),
    "profile of triples": (
        GOOD + "velocity_profile = [[0, 1, 2], [1, 0.8]]\n",
        "d.toml [driver] velocity_profile, value 1 = [0, 1, 2]: must hold at most 2 values. Remove some",
    ),
    "unknown source": (
        GOOD + 'source = "voltage"\n',
        'd.toml [driver] source = "voltage": must be "velocity", "pressure" or "impedance". Write one of them',
    ),
    "no impedance": (
        IMPEDANCE,
        'd.toml [driver] source_impedance_csv: missing, source = "impedance" has one. Add for example'
        ' source_impedance_csv = "driver.csv", with columns frequency_hz, resistance and reactance',
    ),
    "impedance of a velocity": (
        GOOD + 'source_impedance_csv = "s.csv"\n',
        'd.toml [driver] source_impedance_csv: does not belong to source = "velocity". Remove it, or write source ='
        ' "impedance"',
    ),
    "impedance twice over": (
        IMPEDANCE + 'source_impedance_csv = "s.csv"\nsource_resistance = [1, 2]\n',
        "d.toml [driver] source_impedance_csv and source_resistance exclude each other: remove one",
    ),
    "half an impedance": (
        IMPEDANCE + "source_frequencies_hz = [100, 30000]\nsource_resistance = [1, 2]\n",
        "d.toml [driver] source_reactance: missing beside source_frequencies_hz. Add it, or name a"
        " source_impedance_csv instead",
    ),
    "lists of unequal length": (
        IMPEDANCE + "source_frequencies_hz = [100, 30000]\nsource_resistance = [1, 2]\nsource_reactance = [1]\n",
        "d.toml [driver] source_reactance holds 1 value: must be 2, one for each of source_frequencies_hz. Complete the"
        " list",
    ),
    "impedance known too little of": (
        IMPEDANCE + "source_frequencies_hz = [500, 5000]\nsource_resistance = [1, 2]\nsource_reactance = [0, 0]\n",
        "d.toml [driver] the source's impedance is given from 500 to 5000 Hz: must cover the frequencies of [analysis],"
        " 300 to 20000 Hz. Add the missing frequencies, or ask for 500 to 5000 Hz only",
    ),
    "impedance known elsewhere": (
        IMPEDANCE + "source_frequencies_hz = [50, 100]\nsource_resistance = [1, 2]\nsource_reactance = [0, 0]\n",
        "is given from 50 to 100 Hz: must cover the frequencies of [analysis], 300 to 20000 Hz. Add the missing"
        " frequencies",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_message(design_message, name):
    text, expected = FAULTS[name]
    found = design_message(text)
    assert expected in found
    assert "\n" not in found  # one fault, one line


BODIES = {
    "not from the rim": (
        "z_mm,r_mm\n90,99\n-20,99\n-20,0\n",
        'd.toml [mounting] body_csv = "b.csv": the first point lies at z_mm = 90, r_mm = 99: must be the mouth\'s rim,'
        " at z_mm = 90, r_mm = 93.74, to 0.1. Correct it; z counts from the throat plane",
    ),
    "not to the axis": (
        "z_mm,r_mm\n90,93.74\n-20,99\n",
        "b.csv: the last point has r_mm = 99: must be 0, where the body closes on the axis. Add those up to there",
    ),
    "the other way round": (
        "z_mm,r_mm\n-20,0\n-20,99\n90,93.74\n",
        "b.csv line 2 r_mm = 0: must be above 0 on any line but the last. Correct it, or remove the lines after it",
    ),
    "below the axis": (
        "z_mm,r_mm\n90,93.74\n-20,-9\n-20,0\n",
        "b.csv line 3 r_mm = -9: must be above 0, the axis. Correct it, or remove the line",
    ),
    "in front of the throat": (
        "z_mm,r_mm\n90,93.74\n90,150\n10,150\n10,0\n",
        'd.toml [mounting] body_csv = "b.csv": the last point lies at z_mm = 10: must be below 0, behind the throat'
        " plane. Move the back behind the driver's exit",
    ),
    "across itself": (
        "z_mm,r_mm\n90,93.74\n-90,100\n0,120\n-40,0\n",
        "b.csv: the body crosses itself: give the points in order from the mouth's rim to the axis",
    ),
    "across the waveguide": (
        "z_mm,r_mm\n90,93.74\n40,30\n-20,14\n-20,0\n",
        'd.toml [mounting] body_csv = "b.csv": the outline crosses the waveguide at z_mm = ',
    ),
    "one point": ("z_mm,r_mm\n90,0\n", "b.csv: must be two finite points (z, r) at least, from the mouth's rim round"),
    "columns by other names": ("z,r\n1,2\n", "b.csv line 1: columns are z, r: must include z_mm and r_mm. Name them"),
}


@pytest.mark.parametrize("name", BODIES)
def test_message_about_a_body(design_message, name):
    content, expected = BODIES[name]
    assert expected in design_message(GOOD + FREE + 'body_csv = "b.csv"\n', b=content)


SOURCES = {
    "empty": (
        "\n",
        "s.csv: holds no frequencies. Write a header line frequency_hz,resistance,reactance and a line for each"
        " frequency",
    ),
    "column missing": (
        "frequency_hz,resistance\n100,1\n",
        "s.csv line 1: columns are frequency_hz, resistance: must include frequency_hz, resistance and reactance. Name"
        " them",
    ),
    "one line": (
        "frequency_hz,resistance,reactance\n100,1,0\n",
        "s.csv: holds only 100 Hz: must hold two frequencies at least. Add the others",
    ),
    "header alone": (
        "frequency_hz,resistance,reactance\n",
        "s.csv: holds no frequencies: must hold two frequencies at least. Add the others",
    ),
    "no number": (
        "frequency_hz,resistance,reactance\n100,1,zero\n",
        "s.csv line 2 reactance = zero: must be a number. Correct it",
    ),
    "power from a wall": (
        "frequency_hz,resistance,reactance\n100,1,0\n200,-0.5,0\n",
        "s.csv line 3 resistance = -0.5: must be 0 to 1000000. Raise it",
    ),
    "not a number": (
        "frequency_hz,resistance,reactance\n100,nan,0\n",
        "s.csv line 2 resistance = nan: must be 0 to 1000000. Correct it",
    ),
    "silent": (
        "frequency_hz,resistance,reactance,pressure_pa\n100,1,0,0\n",
        "s.csv line 2 pressure_pa = 0: must be 1e-09 to 1000000. Raise it",
    ),
    "falling": (
        "# measured\nfrequency_hz,resistance,reactance\n200,1,0\n100,1,0\n",
        "s.csv line 4 frequency_hz = 100: must be above the line before, 200. Sort the lines, or remove one that is"
        " given twice",
    ),
    "too short": (
        "frequency_hz,resistance,reactance\n500,1,0\n5000,1,0\n",
        "d.toml [driver] the source's impedance is given from 500 to 5000 Hz: must cover the frequencies of [analysis],"
        " 300 to 20000 Hz. Add the missing frequencies, or ask for 500 to 5000 Hz only",
    ),
}


@pytest.mark.parametrize("name", SOURCES)
def test_message_about_a_source(design_message, name):
    content, expected = SOURCES[name]
    assert expected in design_message(IMPEDANCE + 'source_impedance_csv = "s.csv"\n', s=content)


WHOLE = "z_mm,r_mm\n0,12.7\n80,80\n80,150\n-60,150\n-60,0\n"

PROFILES = {
    "in a baffle": (
        '[mounting]\nkind = "baffle"\n',
        'd.toml [mounting] kind = "baffle": must be "free_standing", since [waveguide] meridian_csv runs on past the'
        " mouth to the axis. Change it, or end the points at the mouth",
    ),
    "with another body": (
        CABINET + "diameter_mm = 300\ndepth_mm = 250\n",
        "d.toml [mounting] outline: a body is given already, since [waveguide] meridian_csv runs on past the mouth to"
        " the axis. Remove outline, or end the points at the mouth",
    ),
}


@pytest.mark.parametrize("name", PROFILES)
def test_message_about_a_profile_that_runs_back_to_the_axis(design_message, name):
    mounting, expected = PROFILES[name]
    assert design_message(waveguide('meridian_csv = "p.csv"') + mounting, p=WHOLE) == expected


def test_profile_that_leaves_no_room_behind_the_throat(design_message):
    text = WHOLE.replace("-60", "10")
    assert design_message(waveguide('meridian_csv = "p.csv"'), p=text) == (
        "d.toml [waveguide] meridian_csv: the last point lies at z_mm = 10: must be below 0, behind the throat plane."
        " Move the back behind the driver's exit"
    )


def test_oblong_planes_do_not_run_back_to_the_axis(design_message):
    text = f'[waveguide]\nhorizontal_csv = "h.csv"\nvertical_csv = "v.csv"\n{DRIVER}'
    found = design_message(text, h=WHOLE, v=WHOLE)
    assert "h.csv line 6 r_mm = 0: must be above 0, the axis. Correct it, or remove the line" in found


def test_faults_of_wall_and_driver_come_at_once(design_message):
    text = waveguide('meridian_csv = "p.csv"') + 'source = "impedance"\nsource_impedance_csv = "s.csv"\n'
    assert design_message(text, p="z_mm,r_mm\n0,-1\n", s="frequency_hz,resistance,reactance\n").splitlines() == [
        "p.csv line 2 r_mm = -1: must be above 0, the axis. Correct it, or remove the line",
        "s.csv: holds no frequencies: must hold two frequencies at least. Add the others",
    ]
