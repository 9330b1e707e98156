"""Every message about a target file, as the user reads it."""

import pytest

from evenflare.files import InputError
from evenflare.target.reach import reachability
from target_texts import CROSSOVER, GOOD


@pytest.fixture
def message(target_of):
    def reader(text):
        with pytest.raises(InputError) as caught:
            target_of(text)
        return str(caught.value)

    return reader


def changed(old, new):
    assert old in GOOD
    return GOOD.replace(old, new)


FAULTS = {
    "unequal lists": (
        changed("index_db = [6, 9, 10]", "index_db = [6, 9]"),
        "t.toml [wanted] index_db holds 2 values: must be 3, one for each frequency_hz. Complete the list",
    ),
    "unequal weights": (
        changed("weight = [1, 2, 0]", "weight = [1]"),
        "t.toml [wanted] weight holds 1 value: must be 3, one for each frequency_hz. Complete the list",
    ),
    "frequencies that do not rise": (
        changed("[1000, 4000, 16000]", "[1000, 4000, 4000]"),
        "t.toml [wanted] frequency_hz = [1000, 4000, 4000]: value 3 is 4000 after 4000: must rise from each to the"
        " next. Sort the list",
    ),
    "frequencies in kilohertz": (
        changed("[1000, 4000, 16000]", "[1, 4000, 16000]"),
        "t.toml [wanted] frequency_hz, value 1 = 1: must be 20 to 40000. Is it in kilohertz? Then write 1000",
    ),
    "one frequency": (
        changed("[1000, 4000, 16000]", "[1000]"),
        "t.toml [wanted] frequency_hz = [1000]: must hold at least 2 values. Add some",
    ),
    "no tolerance": (
        changed("tolerance_db = [1.0, 0.5, 1.5]\n", ""),
        "t.toml [wanted] tolerance_db: missing. Add for example tolerance_db = [0.5, 1.0]",
    ),
    "tolerance of nothing": (
        changed("[1.0, 0.5, 1.5]", "[1.0, 0, 1.5]"),
        "t.toml [wanted] tolerance_db, value 2 = 0: must be 0.01 to 20. Raise it",
    ),
    "no weight at all": (
        changed("weight = [1, 2, 0]", "weight = [0, 0, 0]"),
        "t.toml [wanted] weight is 0 everywhere: must be above 0 somewhere. Raise it, or leave it out",
    ),
    "unknown index": (
        changed("[wanted]\n", '[wanted]\nindex = "spere"\n'),
        't.toml [wanted] index = "spere": must be "sphere" or "sound_power". Did you mean sphere?',
    ),
    "unknown key": (
        changed("index_db", "index_dB"),
        "t.toml [wanted] index_dB = [6, 9, 10]: unknown key. Did you mean index_db?",
    ),
    "beam wider than the half space": (
        changed("[180, 100, 90]", "[200, 100, 90]"),
        "t.toml [wanted] beamwidth_deg = 200: must be at most 180 in a baffle, where 180 means that the level never"
        ' falls 6 dB. Lower it, or write [mounting] kind = "sphere"',
    ),
    "crossover above the band": (
        GOOD + CROSSOVER.replace("2000", "18000"),
        "t.toml [wanted] crossover.frequency_hz = 18000: must be below the last of frequency_hz, 16000. Lower it, or"
        " want more",
    ),
    "crossover without a piston": (
        GOOD + "[wanted.crossover]\nfrequency_hz = 2000\n",
        "t.toml [wanted.crossover] piston_radius_mm: missing. Add for example piston_radius_mm = 105",
    ),
    "piston in metres": (
        GOOD + CROSSOVER.replace("= 100", "= 0.1"),
        "t.toml [wanted.crossover] piston_radius_mm = 0.1: must be 10 to 500. Is it in metres? Then write 100",
    ),
    "unknown key of the crossover": (
        GOOD + CROSSOVER + "radius_mm = 3\n",
        "t.toml [wanted.crossover] radius_mm = 3: unknown key here. It belongs in [mounting]: move it there",
    ),
    "reversed range": (
        changed("depth_mm = [60, 110]", "depth_mm = [110, 60]"),
        "t.toml [limits] depth_mm = [110, 60]: must be [lowest, greatest], or one number. Swap them",
    ),
    "range of text": (
        changed("depth_mm = [60, 110]", 'depth_mm = "60"'),
        't.toml [limits] depth_mm = "60": must be a number, or a range [lowest, greatest]. Write it without quotation'
        " marks or unit",
    ),
    "range in metres": (
        changed("depth_mm = [60, 110]", "depth_mm = [0.06, 110]"),
        "t.toml [limits] depth_mm, value 1 = 0.06: must be 5 to 1000. Is it in metres? Then write 60",
    ),
    "no limits": (
        GOOD.split("[limits]")[0],
        "t.toml [limits]: missing table. Add it, with depth_mm = [60, 110], mouth_diameter_mm = [180, 260]",
    ),
    "mouth no wider than the exit": (
        changed("[180, 260]", "[20, 26]"),
        "t.toml [limits] mouth_diameter_mm = [.., 26]: must reach beyond 1.05 times [driver] exit_diameter_mm = 25.4."
        " Raise it",
    ),
    "sphere smaller than the mouth": (
        GOOD + '[mounting]\nkind = "sphere"\nradius_mm = 120\n',
        "t.toml [mounting] radius_mm = 120: must be at least half the largest of [limits] mouth_diameter_mm, 130. Raise"
        " it, or lower that limit",
    ),
    "unknown family": (
        changed('"tractrix"', '"tractriks"'),
        't.toml [search] families, value 1 = "tractriks": must be "conical", "exponential", "hyperbolic", "tractrix",'
        ' "oblate_spheroidal" or "free". Did you mean tractrix?',
    ),
    "family twice": (
        changed('"free"', '"tractrix"'),
        't.toml [search] families: names "tractrix" twice. Remove one',
    ),
    "mouth a little too narrow": (
        changed("[180, 260]", "[10, 260]"),
        "t.toml [limits] mouth_diameter_mm, value 1 = 10: must be 15 to 2000. Raise it; if it is in inches, write 254",
    ),
    "throat angle mismatch": (
        changed("= 25\n", "= 91\n"),
        "t.toml [limits] throat_angle_mismatch_deg = 91: must be 0 to 90. Lower it",
    ),
    "throat angles out of the exit's reach": (
        changed("throat_angle_mismatch_deg = 25", "throat_angle_mismatch_deg = 1"),
        "t.toml [limits] throat_angle_mismatch_deg = 1: must reach from [driver] exit_half_angle_deg = 0 to"
        " throat_angle_deg = [2, 20]. Raise it, or change that range",
    ),
    "no families": (
        changed('["tractrix", "free"]', "[]"),
        "t.toml [search] families = []: must hold at least 1 value. Add some",
    ),
    "too few candidates": (
        changed("candidates = 500", "candidates = 5"),
        "t.toml [search] candidates = 5: must be 10 to 1000000. Raise it",
    ),
    "half a seed": (
        changed("seed = 7", "seed = 7.5"),
        "t.toml [search] seed = 7.5: must be a whole number, 0 to 2147483647. Write it without quotation marks or unit",
    ),
    "waveguide in a target": (
        GOOD + "[waveguide]\ndepth_mm = 80\n",
        "t.toml [waveguide]: unknown table. Remove it; allowed are name, driver, mounting, air, wanted, limits, search",
    ),
    "empty": ("", "t.toml: is empty. The least that it holds is, for example:\n[driver]\nexit_diameter_mm = 25.4\n"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_message(message, name):
    text, expected = FAULTS[name]
    found = message(text)
    assert expected in found
    for leak in ("pydantic", "validation error", "type=", "input_value"):
        assert leak not in found


def test_all_faults_come_at_once(message):
    text = changed("candidates = 500", "candidates = 5").replace("depth_mm = [60, 110]", "depth_mm = [110, 60]")
    assert message(text).splitlines() == [
        "t.toml [limits] depth_mm = [110, 60]: must be [lowest, greatest], or one number. Swap them",
        "t.toml [search] candidates = 5: must be 10 to 1000000. Raise it",
    ]


def test_minimal_example_of_the_message_is_a_target(message, target_of):
    example = message("").split("example:\n")[1]
    assert reachability(target_of(example)) == []
