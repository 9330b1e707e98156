"""The rows of a page's tables: sizes, sound, score, limits, families, and where it all comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

import evenflare
from evenflare.directivity.types import Directivity
from evenflare.objective import Score, contributions
from evenflare.radiation.source import WORDS
from evenflare.report.kit.wall import stretch_of
from evenflare.report.waveguide import drawing
from evenflare.results import tables
from evenflare.results.summary import SUMMARY
from evenflare.studies.cabinet import body_words
from evenflare.target.target import Target
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import (
    Driver,
    Kept,
    Limits,
    Measures,
    Oblong,
    Place,
    Points,
    RoundedRectangle,
    Shape,
    Superellipse,
    Waveguide,
    kept,
    measures,
)
from evenflare.waveguide.sections import ELLIPSE
from evenflare.words import hertz, millimetres, plainly, signed, span, spoken, unit_apart

SECTIONS = 11
"""Of an oblong waveguide that are listed, from throat to mouth."""
MOST_CORNERS = 12
"""Of a wall through points that are named; it may have hundreds."""


class FamilyResult(NamedTuple):
    """What a search found of one family.

    screen, full      : best scores, dB, lower is better; None where there is none.
    tried, tried_full : candidates asked for, and those judged at full.
    why               : it has no score, in words.
    ended             : how its descents ended, in words.
    """

    family: str
    screen: float | None
    full: float | None
    tried: int
    tried_full: int
    why: str = ""
    ended: str = ""


class LimitRow(NamedTuple):
    """A limit, what the shape has, what is allowed, the margin between them, and where on an oblong wall that is."""

    label: str
    value: str
    allowed: str
    margin: str
    kept: bool
    place: str


class NestedTable(NamedTuple):
    """A small table inside another's cell."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]


def geometry(waveguide: Waveguide) -> list[tuple[str, str]]:
    """The shape's sizes by label."""
    where = "flush in an infinite baffle"
    if waveguide.mounting.body is not None:
        where = f"free-standing, {body_words(waveguide.mounting)}"
    elif waveguide.mounting.cabinet is not None:
        where = f"flush in the front of {waveguide.mounting.cabinet.words}"
    elif waveguide.mounting.radius is not None:
        where = f"on a rigid sphere of radius {millimetres(waveguide.mounting.radius, 1)}"
    found = measures(waveguide)
    half_angle = waveguide.driver.exit_half_angle / DEGREE
    corner = drawing.throat_corner(waveguide) / DEGREE
    return [
        *_families(waveguide),
        ("Depth", millimetres(found.depth)),
        *_mouth(waveguide, found),
        ("Throat diameter", millimetres(found.throat_diameter)),
        ("Driver exit", f"{millimetres(2 * waveguide.driver.exit_radius)}, half-angle {half_angle:.1f}°"),
        *_driven(waveguide.driver),
        *_ends(waveguide),
        (
            "Joint at the throat",
            f"corner of {corner:.1f}° between exit and wall"
            if corner >= drawing.SMOOTH
            else "wall goes on as the exit",
        ),
        *(
            (_in_plane("Roundover radius", plane), millimetres(arc.radius) if arc else "none")
            for plane, arc in ((plane, drawing.roundover(wall)) for plane, wall in drawing.meridians(waveguide).items())
        ),
        (
            "Smallest concave radius (cutter)",
            f"{millimetres(found.smallest_concave_radius)}, {drawing.concave(waveguide)}",
        ),
        *_points(waveguide),
        ("Mounting", where),
    ]


def _in_plane(label: str, plane: str) -> str:
    return f"{label}, {plane}" if plane else label


def _shapes(waveguide: Waveguide) -> dict[str, Shape]:
    """By plane, as `drawing.meridians`."""
    shape = waveguide.shape
    if isinstance(shape, Oblong):
        return {"horizontal": shape.horizontal, "vertical": shape.vertical}
    return {"": shape}


def _families(waveguide: Waveguide) -> list[tuple[str, str]]:
    """Whose shape each meridian is, once where all are alike."""
    names = {plane: spoken(shape.family) for plane, shape in _shapes(waveguide).items()}
    if len(set(names.values())) == 1:
        return [("Family", next(iter(names.values())))]
    return [(_in_plane("Family", plane), name) for plane, name in names.items()]


def _mouth(waveguide: Waveguide, found: Measures) -> list[tuple[str, str]]:
    if waveguide.is_round:
        return [("Mouth diameter", millimetres(found.mouth_diameter))]
    section, exponent = waveguide.surface.section, found.section_exponent
    if isinstance(section, RoundedRectangle):
        words = f"rounded rectangle, corners of {millimetres(section.corner_radius)}"
    elif exponent is None or max(exponent) == ELLIPSE:
        words = "ellipse"
    else:
        words = f"superellipse, exponent {exponent[0]:.4g}"
        words += f", up to {exponent[1]:.4g} on the way" if exponent[1] > exponent[0] + 1e-6 else ""
    return [
        ("Mouth width and height", f"{millimetres(found.mouth_width)} × {millimetres(found.mouth_height)}"),
        ("Mouth's section", words),
    ]


def _driven(driver: Driver) -> list[tuple[str, str]]:
    """How the exit moves, and what drives it, where that is not an even velocity of 1 m/s."""
    rows = []
    if driver.velocity_profile is not None:
        shares = [velocity for _, velocity in driver.velocity_profile]
        rows.append(("Motion of the exit", f"after a velocity profile, {plainly(shares)} from the axis to the edge"))
    if driver.source.kind != "velocity":
        rows.append(("Driver's source", WORDS[driver.source.kind]))
    return rows


def _ends(waveguide: Waveguide) -> list[tuple[str, str]]:
    """The wall's angle against the axis at both ends, by plane."""
    return [
        (
            _in_plane("Wall angle at throat and rim", plane),
            f"{wall.ends.angle[0] / DEGREE:.2f}° and {wall.ends.angle[1] / DEGREE:.2f}°",
        )
        for plane, wall in drawing.meridians(waveguide).items()
    ]


def sections(waveguide: Waveguide) -> NestedTable | None:
    """Sections of an oblong waveguide at tenths of its depth; None for a round one."""
    if waveguide.is_round:
        return None
    surface = waveguide.surface
    section = surface.section
    rows = []
    for z in np.linspace(0.0, surface.depth, SECTIONS).tolist():
        axes = surface.axes(np.array([z]), stretch=stretch_of(surface, z))
        sizes = [z, 2 * axes.a[0], 2 * axes.b[0]]
        cells = [f"{size / MILLIMETRE:.2f}" for size in sizes]
        if isinstance(section, Superellipse):
            cells.append(f"{section.exponent_at(np.array([z]), depth=surface.depth)[0]:.3f}")
        rows.append(cells)
    head = ["Depth, mm", "Width, mm", "Height, mm"]
    return NestedTable([*head, "Exponent"] if isinstance(section, Superellipse) else head, rows)


def _points(waveguide: Waveguide) -> list[tuple[str, str]]:
    """What became of walls that were given as points."""
    rows = []
    for plane, shape in _shapes(waveguide).items():
        if not isinstance(shape, Points):
            continue
        at = [f"{shape.points[i][0] / MILLIMETRE:.4g}" for i in shape.corners]
        more = f" and {len(at) - MOST_CORNERS} more" if len(at) > MOST_CORNERS else ""
        kept = f"z = {', '.join(at[:MOST_CORNERS])}{more} mm" if at else "none"
        departure = f"the smooth wall leaves the straight lines by up to {shape.departure / MILLIMETRE:.3f} mm"
        rows += [(_in_plane("Corners kept", plane), kept), (_in_plane("Between points", plane), departure)]
        if shape.smooth:
            moved = shape.moved / MILLIMETRE
            left = f"up to {moved.max():.3f} mm, {np.sqrt(np.mean(moved**2)):.3f} rms"
            rows.append((_in_plane("Smoothed, the wall leaves the points by", plane), left))
    return rows


def sound(directivity: Directivity, target: Target | None) -> list[tuple[str, str]]:
    """What the sound comes to, by label."""
    columns = tables.summary_columns(directivity)
    frequency = columns["frequency_hz"]
    count = f"{hertz(frequency[0])} to {hertz(frequency[-1])}, {frequency.size} of them"
    rows = [("Frequencies", count if frequency.size > 1 else hertz(frequency[0]))]
    if target is not None:
        deviation = index_deviation(directivity, target)
        if np.isfinite(deviation).any():
            worst = int(np.nanargmax(np.abs(deviation)))
            rms = float(np.sqrt(np.nanmean(deviation**2)))
            rows.append(("Index less wanted index, plain rms", f"{rms:.2f} dB"))
            rows.append(("… largest", f"{signed(deviation[worst])} dB at {hertz(frequency[worst])}"))
    for each in SUMMARY:
        label = each.told(directivity)
        between = span(columns.get(each.name, np.empty(0)), digits=each.digits)
        if label and between:
            rows.append((label, between + each.unit))
    return rows


def index_deviation(directivity: Directivity, target: Target) -> FloatArray:
    """(F,) dB, the index that the target names less the wanted one; nan outside the target and where not valid."""
    columns = tables.summary_columns(directivity)
    # A target's index over the sphere is the far field's; a measurement has that of its distance only.
    far = columns["far_field_index_db"]
    index = far if np.isfinite(far).any() else columns["directivity_index_db"]
    if target.index_kind != "sphere":
        index = columns["sound_power_index_db"]
    wanted = tables.target_columns(target, columns["frequency_hz"])["index_db"]
    return np.where(directivity.valid, index - wanted, np.nan)


def band_sentence(directivity: Directivity, target: Target | None) -> str:
    """How the index lies to the target's band; what to do with it where there is no target."""
    if target is None:
        return (
            "Join the woofer where both have the same index: a jump of the index at the crossover is heard in the room."
        )
    deviation = index_deviation(directivity, target)
    if not np.isfinite(deviation).any():
        return "No solved and valid frequency lies inside the target's range: solve more frequencies."
    frequency = directivity.observation.frequency
    tolerance = tables.target_columns(target, frequency)["tolerance_db"]
    outside = np.flatnonzero(np.abs(deviation) > tolerance)
    if not outside.size:
        return "The index stays inside the target's band at every solved frequency."
    worst = outside[np.abs(deviation[outside]).argmax()]
    more = "narrower" if deviation[worst] > 0 else "wider"
    return (
        f"The index leaves the target's band at {outside.size} of {np.isfinite(deviation).sum()} frequencies, most at"
        f" {hertz(frequency[worst])} ({signed(deviation[worst])} dB, {more} than wanted): look there first."
    )


def terms(score: Score) -> list[tuple[str, str, str]]:
    """A score's terms in dB: name, as found, and as counted; the last row is the score itself."""
    counted = contributions(score)
    rows = [
        (spoken(name.removesuffix("_db")), f"{value:.3f}", f"{counted[name]:.3f}")
        for name, value in score.terms.items()
    ]
    return [*rows, ("score", "", f"{score.value:.3f}")]


def limits(waveguide: Waveguide, allowed: Limits) -> list[LimitRow]:
    """Every limit of a target against the shape, in the unit of its label, and where its worst value is."""
    return [
        LimitRow(
            unit_apart(name), f"{each.value:.2f}", _allowed(each), signed(-each.excess), each.kept, _where(each.place)
        )
        for name, each in kept(waveguide, allowed).items()
    ]


def _allowed(limit: Kept) -> str:
    low, high = limit.low, limit.high
    if low is None:
        return f"at most {high:.4g}"
    if high is None:
        return f"at least {low:.4g}"
    return f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"


def _where(place: Place) -> str:
    """A place on the wall in words; none where the limit is of a whole section."""
    if place.azimuth is None:
        return ""
    return f"{place.z / MILLIMETRE:.1f} mm, {place.azimuth / DEGREE:.0f}°"


def families(found: Sequence[FamilyResult]) -> list[tuple[str, list[str], str, str]]:
    """By family, best first: its name, the cells of its row, how it ended, and in their place why it has no score."""
    ranked = sorted(found, key=lambda each: (each.full is None, each.full or 0.0, each.screen is None, each.screen))
    best = ranked[0].full if ranked else None
    rows = []
    for each in ranked:
        behind = "–"
        if each.full is not None and best is not None:
            behind = "winner" if each is ranked[0] else f"{each.full - best:.3f}"
        screen, full = ("–" if score is None else f"{score:.3f}" for score in (each.screen, each.full))
        cells = [screen, str(each.tried), full, str(each.tried_full), behind]
        rows.append((spoken(each.family), cells, each.ended, f"{each.why} ({each.tried} tried)" if each.why else ""))
    return rows


def provenance(directivity: Directivity | None, more: Mapping[str, Any]) -> list[tuple[str, str | NestedTable]]:
    """How the result was made, by label, in words: the directivity's own record, and more."""
    record = {**({} if directivity is None else directivity.provenance), **more}
    told = [(unit_apart(key), _told(value)) for key, value in record.items() if key != "version"]
    return [("evenflare", evenflare.__version__), *told]


def _told(value: Any) -> str | NestedTable:
    """A value in words; a list of alike mappings is a table."""
    if not isinstance(value, list) or not value or not all(isinstance(each, Mapping) for each in value):
        return plainly(value)
    return NestedTable(
        [unit_apart(key) for key in value[0]], [[plainly(each) for each in row.values()] for row in value]
    )
