"""What a target asks for, apart from how its file words it: by key, so that what changed can be named.

Two targets of one meaning ask for the same candidates and judge them alike. Names of classes and the order of keys do
not count, comments, names and numbers of candidates neither. A value that is the usual one is left out: a key that a
later version adds leaves earlier searches what they were.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, fields, is_dataclass
from typing import Any

import numpy as np

from evenflare.target.target import Target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import SolidCabinet

DIGITS = 9
"""Of a number: a unit's factor changes the last of a double's 16, and nothing tells shapes apart that differ less."""

NO_MATTER = frozenset(
    {"left_out", "name", "source", "candidates", "seed", "room.name", "limits.air"}
    | {"robust.process", "robust.accuracy.source"}
)
"""What does not belong to the question: words, how much is asked, and what is said elsewhere already."""

KEYS = {
    "trade": "[search] trade",
    "robust": "[search] robust",
    "robust.k": "[search] robust_k",
    "robust.accuracy.bias": "[search] process, what it says in wall_bias_mm",
    "robust.accuracy.spread": "[search] process, what it says in wall_spread_mm",
    "robust.accuracy.correlation_length": "[search] process, what it says in correlation_length_mm",
    "robust.accuracy.around": "[search] process, what it says in around",
    "robust.accuracy.scale_bias": "[search] process, what it says of the mean scale, as a share",
    "robust.accuracy.scale_spread": "[search] process, what it says of the scale's spread, as a share",
    "robust.accuracy.throat_step": "[search] process, what it says in throat_step_mm",
    "driver.exit_radius": "[driver] exit_diameter_mm",
    "driver.exit_half_angle": "[driver] exit_half_angle_deg",
    "driver.velocity_profile": "[driver] velocity_profile",
    "driver.source.kind": "[driver] source",
    "driver.source.frequency": "[driver] source_frequencies_hz",
    "driver.source.impedance": "[driver] source_resistance and source_reactance",
    "driver.source.pressure": "[driver] source_pressure_pa",
    "mounting.kind": "[mounting] kind",
    "mounting.radius": "[mounting] radius_mm",
    "mounting.body.outline": "[mounting] outline",
    "mounting.body.rim_radius": "[mounting] rim_radius_mm",
    "mounting.body.back_diameter": "[mounting] back_diameter_mm",
    "mounting.body.back_depth": "[mounting] back_depth_mm",
    "mounting.body.back_edge_radius": "[mounting] back_edge_radius_mm",
    "mounting.body.diameter": "[mounting] diameter_mm",
    "mounting.body.depth": "[mounting] depth_mm",
    "mounting.body.edge_radius": "[mounting] edge_radius_mm",
    "mounting.cabinet.width": "[mounting] width_mm",
    "mounting.cabinet.height": "[mounting] height_mm",
    "mounting.cabinet.depth": "[mounting] depth_mm",
    "mounting.cabinet.edge.radius": "[mounting] edge_radius_mm",
    "mounting.cabinet.edge.chamfer": "[mounting] edge_chamfer_mm",
    "mounting.cabinet.front_edge.radius": "[mounting] front_edge_radius_mm",
    "mounting.cabinet.front_edge.chamfer": "[mounting] front_edge_chamfer_mm",
    "mounting.cabinet.x": "[mounting] waveguide_x_mm",
    "mounting.cabinet.y": "[mounting] waveguide_y_mm",
    "mounting.cabinet.solid": "[mounting] solid_stl, what it holds",
    "air.speed_of_sound": "[air] speed_of_sound_m_per_s",
    "air.density": "[air] density_kg_per_m3",
    "index_kind": "[wanted] index",
    "frequency": "[wanted] frequency_hz",
    "index_db": "[wanted] index_db",
    "tolerance_db": "[wanted] tolerance_db",
    "weight": "[wanted] weight",
    "beamwidth": "[wanted] beamwidth_deg",
    "beamwidth_horizontal": "[wanted] beamwidth_horizontal_deg",
    "beamwidth_vertical": "[wanted] beamwidth_vertical_deg",
    "constancy_weight": "[wanted] constancy_weight",
    "crossover.piston_radius": "[wanted.crossover] piston_radius_mm",
    "crossover.frequency": "[wanted.crossover] frequency_hz",
    "room_weight": "[wanted.room] weight",
    "room_from": "[wanted.room] from_hz",
    "room.size": "the room's [size] in m",
    "room.absorption_frequency": "the room's [absorption] frequency_hz",
    "room.absorption": "the room's [absorption]",
    "room.source.position": "the room's [source] position_m",
    "room.source.yaw": "the room's [source] yaw_deg",
    "room.source.pitch": "the room's [source] pitch_deg",
    "room.seats": "the room's [[seats]] position_m",
    "room.air.speed_of_sound": "the room's [air] speed_of_sound_m_per_s",
    "room.air.density": "the room's [air] density_kg_per_m3",
    "room.weather.temperature": "the room's [air] temperature in K",
    "room.weather.humidity": "the room's [air] humidity",
    "room.weather.pressure": "the room's [air] pressure in Pa",
    "room.order": "the room's order of reflections",
    "room.tail": "the room's tail",
    "limits.depth": "[limits] depth_mm",
    "limits.mouth_diameter": "[limits] mouth_diameter_mm",
    "limits.mouth_width": "[limits] mouth_width_mm",
    "limits.mouth_height": "[limits] mouth_height_mm",
    "limits.section_exponent": "[limits] section_exponent",
    "limits.smallest_concave_radius": "[limits] smallest_concave_radius_mm",
    "limits.greatest_wall_angle": "[limits] greatest_wall_angle_deg",
    "limits.smallest_draft": "[limits] smallest_draft_deg",
    "limits.throat_angle": "[limits] throat_angle_deg",
    "limits.throat_diameter_mismatch": "[limits] throat diameter to within mm",
    "limits.throat_angle_mismatch": "[limits] throat_angle_mismatch_deg",
    "families": "[search] families",
}
"""What each value is called in the files it comes from, by where it stands in a `Target`. What is not in here is kept
and compared as well, under its own name and in SI."""

ALWAYS = frozenset({"driver.exit_radius", "limits.depth", "limits.mouth_diameter"})
"""What every file says, the usual or not."""
_DIAMETERS = frozenset({"driver.exit_radius"})
"""Radii whose key is a diameter."""


def meaning(target: Target) -> dict[str, str]:
    """What of a target decides which candidates are asked for and how they are judged, by key, as text.

    Numbers are in the key's unit, to DIGITS digits; lists as in TOML. What a file may leave out and has its usual
    value is not there.
    """
    return {key: _text(key, value) for key, value in _values(target, "")}


def changes(there: Mapping[str, str], now: Mapping[str, str]) -> list[tuple[str, str | None, str | None]]:
    """Keys whose values differ, with the text of each; None where it is left out."""
    keys = [*now, *(key for key in there if key not in now)]
    return [(key, there.get(key), now.get(key)) for key in keys if there.get(key) != now.get(key)]


def _values(node: Any, place: str) -> Iterator[tuple[str, Any]]:
    """Keys and values below a dataclass, but for those that are usual or no matter."""
    if place == "mounting":
        yield _key("mounting.kind"), node.kind
    if place == "robust":
        yield _key(place), True
    if place == "mounting.body":
        yield _key("mounting.body.outline"), node.outline
    for field in fields(node):
        here, value = f"{place}.{field.name}".lstrip("."), getattr(node, field.name)
        if here in NO_MATTER or value is None or (here not in ALWAYS and _usual(field.default, value)):
            continue
        if here == "rooms":
            for number, room in enumerate(value, start=1):
                for key, own in _values(room, "room"):
                    yield key if len(value) == 1 else key.replace("the room's", f"room {number}'s"), own
        elif isinstance(node, SolidCabinet) and field.name == "solid":
            yield _key(here), value.digest
        elif is_dataclass(value):
            yield from _values(value, here)
        elif isinstance(value, tuple) and value and all(hasattr(each, "key") for each in value):
            for each in value:  # which say themselves what they are of
                yield f"[{place}] {each.key}", [getattr(each, own.name) for own in fields(each) if own.name != "key"]
        else:
            yield _key(here), 2 * value if here in _DIAMETERS else value


def _usual(default: Any, value: Any) -> bool:
    return default is not MISSING and not isinstance(value, np.ndarray) and bool(default == value)


def _key(place: str) -> str:
    if place in KEYS:
        return KEYS[place]
    section, _, rest = place.rpartition(".")
    return f"[{section or 'wanted'}] {rest}"


def _text(key: str, value: Any) -> str:
    unit = MILLIMETRE if key.endswith("_mm") else DEGREE if key.endswith("_deg") else 1.0
    return json.dumps(_plain(value, unit), ensure_ascii=False)


def _plain(value: Any, unit: float) -> Any:
    """As JSON has it: numbers in the key's unit, lists, and words."""
    if isinstance(value, str | bool):
        return value
    if isinstance(value, complex):
        return [_plain(value.real, unit), _plain(value.imag, unit)]
    if isinstance(value, int | float | np.number):
        number = float(f"{float(value) / unit:.{DIGITS}g}")
        return int(number) if number.is_integer() and abs(number) < 10**DIGITS else number
    if is_dataclass(value):  # in a list: a seat, of which the name is only a word
        found = [_plain(getattr(value, field.name), unit) for field in fields(value) if field.name != "name"]
        return found[0] if len(found) == 1 else found
    return [_plain(each, unit) for each in value]
