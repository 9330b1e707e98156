"""What a target asks for, told from how its file words it."""

from __future__ import annotations

import re
import tempfile
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from commandline import TARGET
from evenflare.design.driver import DriverTable
from evenflare.design.mounting import MountingTable
from evenflare.schema import AirTable
from evenflare.target import meaning as module
from evenflare.target.meaning import KEYS, changes, meaning
from evenflare.target.tables import LimitsTable, SearchTable, WantedCrossoverTable, WantedRoomTable, WantedTable
from evenflare.target.target import Target, read_target
from evenflare.waveguide import Driver, Limits, Source

TARGETS = sorted((Path(__file__).parent.parent / "targets").glob("*.toml"))


def target_in(text: str) -> Target:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "target.toml"
        path.write_text(text)
        return read_target(path)


def meant(text: str) -> dict[str, str]:
    return meaning(target_in(text))


def test_words_order_and_how_much_is_asked_are_no_part_of_the_question():
    same = """
# A remark.
name = "another name"
[search]
seed = 9
candidates = 6000
families = ["conical", "free"]
[limits]
mouth_diameter_mm = [150.0, 240]
depth_mm = [60, 100.0]   # deep
[wanted]
tolerance_db = [0.5, 0.5]
index_db = [7, 9]
frequency_hz = [1.5e3, 4e3]
[driver]
exit_diameter_mm = 25.40
exit_half_angle_deg = 0
"""
    assert meant(same) == meant(TARGET)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("[60, 100]", "[60, 110]", ("[limits] depth_mm", "[60, 100]", "[60, 110]")),
        ("[7.0, 9.0]", "[7.0, 8.9]", ("[wanted] index_db", "[7, 9]", "[7, 8.9]")),
        ("25.4", "25.5", ("[driver] exit_diameter_mm", "25.4", "25.5")),
        ("[search]", "smallest_draft_deg = 2\n[search]", ("[limits] smallest_draft_deg", None, "2")),
        ('"conical", "free"', '"conical"', ("[search] families", '["conical", "free"]', '["conical"]')),
        (
            "[wanted]",
            '[mounting]\nkind = "sphere"\nradius_mm = 200\n[wanted]',
            ("[mounting] kind", '"baffle"', '"sphere"'),
        ),
    ],
)
def test_what_changes_the_question_is_told_by_its_key_with_both_values(before, after, told):
    assert told in changes(meant(TARGET), meant(TARGET.replace(before, after)))


def test_every_bundled_target_means_something_of_its_own_in_the_words_of_its_file():
    found = [meaning(read_target(path)) for path in TARGETS]
    assert len({tuple(each.items()) for each in found}) == len(TARGETS)
    for path, each in zip(TARGETS, found, strict=True):
        wanted = tomllib.loads(path.read_text())["wanted"]
        assert each["[wanted] frequency_hz"] == str([int(f) for f in wanted["frequency_hz"]])


TABLES = {
    "[driver]": DriverTable,
    "[mounting]": MountingTable,
    "[air]": AirTable,
    "[wanted]": WantedTable,
    "[wanted.crossover]": WantedCrossoverTable,
    "[wanted.room]": WantedRoomTable,
    "[limits]": LimitsTable,
    "[search]": SearchTable,
}


def test_the_keys_are_those_of_files():
    """But for a room's, which stand in another file, and what no key says."""
    for place, key in KEYS.items():
        section, _, name = key.partition(" ")
        if place.startswith("room.") or place == "limits.throat_diameter_mismatch":
            continue
        for each in re.split(r" and |, what.*", name):
            assert not each or each in TABLES[section].model_fields, key


def test_every_key_that_a_target_may_have_is_in_the_question():
    """Whatever a file can say is told apart: each key once with another value than the usual."""
    spoken = " ".join(KEYS.values())
    beside = {"families", "candidates", "seed", "room"}  # how much is asked, and a room's own keys
    files = {"source_impedance_csv", "calibrated", "body_csv", "body_points_mm", "corner_deg", "smooth_mm"}
    weather = {"temperature_c", "humidity_percent", "pressure_kpa"}  # which give speed and density
    missing = {
        f"{section} {key}"
        for section, table in TABLES.items()
        for key in table.model_fields
        if key not in beside | files | weather and not re.search(rf"\b{key}\b", spoken)
    }
    assert missing == set()


def test_numbers_are_those_of_the_file_whatever_the_unit_did_to_their_last_digits():
    text = TARGET.replace("[60, 100]", "[62.8, 100.1]").replace("25.4", "25.7")
    assert 62.8 * 1e-3 / 1e-3 != 62.8, "the factor changes the last digit"
    assert meant(text)["[limits] depth_mm"] == "[62.8, 100.1]"
    assert meant(text)["[driver] exit_diameter_mm"] == "25.7"


def test_what_a_driver_is_made_of_counts_and_the_names_of_classes_do_not():
    target = target_in(TARGET)
    source = Source("impedance", (500.0, 20e3), (1 + 2j, 3 + 4j), (1.0, 1.0))
    driven = meaning(replace(target, driver=Driver(source=source)))
    assert driven["[driver] source_resistance and source_reactance"] == "[[1, 2], [3, 4]]"
    assert "Source" not in "".join(driven.values())
    assert changes(driven, meaning(replace(target, driver=Driver(source=replace(source, pressure=(1.0, 2.0)))))) == [
        ("[driver] source_pressure_pa", "[1, 1]", "[1, 2]")
    ]


def test_a_limit_that_names_its_own_key_is_told_by_it():
    @dataclass(frozen=True)
    class Named:
        key: str
        low: float
        high: float

    @dataclass(frozen=True)
    class More(Limits):
        bounds: tuple[Named, ...] = ()

    target = target_in(TARGET)
    limits = More(target.limits.depth, target.limits.mouth_diameter, bounds=(Named("wall_angle_deg", 0.0, np.pi / 4),))
    more = meaning(replace(target, limits=limits))
    assert changes(meaning(target), more) == [("[limits] wall_angle_deg", None, "[0, 45]")]
    assert module.NO_MATTER.isdisjoint(more)
