"""One page for a design or a search: a single HTML file that opens anywhere, without a network."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined

import evenflare
from evenflare.air import Air
from evenflare.closed_forms import tube_cut_on
from evenflare.directivity import Directivity
from evenflare.report import figures, tables
from evenflare.target import Target
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import PUBLISHED, Waveguide, measures

CAUTIONS = (
    "Rotating tools: guards and interlocks in place, work clamped, no gloves or loose sleeves near a spindle, eye"
    " protection, never leave a cut unattended. Prove every program in the air first.",
    "Dust: extract it at the source, do not sweep it dry; fine wood dust harms lungs and can explode.",
    "Casting: leave melting and pouring to a licensed foundry.",
    "Loud signals: a driver on a waveguide is loud at the mouth. Start low, protect your ears, never look into the"
    " mouth while it is driven, and protect the driver with a high-pass or a series capacitor.",
    "Measure the driver before cutting: its exit diameter and bolt circle may differ from the data sheet; a step at"
    " the throat joint matters more than a rough surface.",
)
"""Usual practice; no source."""


class FamilyResult(NamedTuple):
    """Best scores of one family in dB, lower is better; None where there is none."""

    family: str
    screen: float | None
    full: float | None


class _Picture(NamedTuple):
    data: str
    width: int
    height: int
    alt: str
    caption: str


def report(
    waveguide: Waveguide,
    *,
    name: str,
    design_id: str,
    what: str,
    command: str,
    directivity: Directivity | None = None,
    target: Target | None = None,
    score: float | None = None,
    terms: Mapping[str, float] | None = None,
    limits: Mapping[str, float] | None = None,
    history: Sequence[Mapping[str, Any]] = (),
    families: Sequence[FamilyResult] = (),
    written: Sequence[tuple[str, str]] = (),
    provenance: Mapping[str, Any] | None = None,
) -> str:
    """The text of the page. What is left out is not shown.

    name       : of the design, the title; any characters, they are escaped.
    what       : a sentence: what this is, where it comes from, and that the data are invented if they are.
    command    : what to type to make it again.
    score      : weighted rms deviation from the target in dB, and
    terms      : its parts by name, dB.
    limits     : by how much each limit is exceeded by name; the name ends in its unit. At or below zero it is kept.
    history    : rows for `figures.search_history`.
    families   : best scores by family, any order.
    written    : files beside the page and what each is for.
    provenance : plain values beside the directivity's own.
    """
    environment = Environment(
        loader=PackageLoader("evenflare.report", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("page.html").render(
        title=name,
        design_id=design_id,
        what=what,
        verdict=_verdict(score, limits, families),
        numbers=[rows for rows in (_geometry(waveguide), _sound(directivity, target, score, terms)) if rows],
        limits=[(_unit_apart(key), _signed(value), value <= 0) for key, value in (limits or {}).items()],
        families=_families(families),
        pictures=_pictures(waveguide, directivity, target, history),
        validity=_validity(waveguide, directivity),
        cautions=CAUTIONS,
        written=list(written),
        command=command,
        provenance=_provenance(directivity, provenance),
    )


def _verdict(score: float | None, limits: Mapping[str, float] | None, families: Sequence[FamilyResult]) -> str:
    parts = []
    if score is not None:
        parts.append(f"Score {score:.3f} dB (weighted rms deviation from the target; 0 is the target itself).")
    scored = sorted((each.full, each.family) for each in families if each.full is not None)
    published = [each for each in scored if each[1] in PUBLISHED]
    if published and scored[0] is published[0]:
        parts.append(f"The best shape is of a published family, {_spoken(published[0][1])}.")
    elif published:
        gain, other = published[0][0] - scored[0][0], _spoken(published[0][1])
        parts.append(f"That is {gain:.3f} dB better than the best published family, {other}.")
    broken = [_unit_apart(key) for key, value in (limits or {}).items() if value > 0]
    if broken:
        parts.append(f"Breaks {len(broken)} of {len(limits or {})} limits: {', '.join(broken)}.")
    elif limits:
        parts.append("Keeps all limits.")
    return " ".join(parts)


def _geometry(waveguide: Waveguide) -> list[tuple[str, str]]:
    found, rim = measures(waveguide), waveguide.meridian.ends.angle[1]
    arc = figures.roundover(waveguide)
    mounting = waveguide.mounting
    where = "flush in an infinite baffle"
    if mounting.radius is not None:
        where = f"on a rigid sphere of radius {mounting.radius / MILLIMETRE:.1f} mm"
    half_angle = waveguide.driver.exit_half_angle / DEGREE
    return [
        ("Family", _spoken(waveguide.shape.family)),
        ("Depth", f"{found.depth / MILLIMETRE:.2f} mm"),
        ("Mouth diameter", f"{found.mouth_diameter / MILLIMETRE:.2f} mm"),
        ("Throat diameter", f"{found.throat_diameter / MILLIMETRE:.2f} mm"),
        ("Driver exit", f"{2 * waveguide.driver.exit_radius / MILLIMETRE:.2f} mm, half-angle {half_angle:.1f}°"),
        ("Wall angle at throat and rim", f"{found.throat_angle / DEGREE:.2f}° and {rim / DEGREE:.2f}°"),
        ("Roundover radius", f"{arc.radius / MILLIMETRE:.2f} mm" if arc else "none"),
        (
            "Smallest hollow radius (cutter)",
            f"{found.smallest_concave_radius / MILLIMETRE:.2f} mm at z = {found.concave_at / MILLIMETRE:.1f} mm",
        ),
        ("Mounting", where),
    ]


def _sound(
    directivity: Directivity | None, target: Target | None, score: float | None, terms: Mapping[str, float] | None
) -> list[tuple[str, str]]:
    rows = []
    if score is not None:
        rows.append(("Score", f"{score:.3f} dB"))
        rows += [(f"… {_spoken(key.removesuffix('_db'))}", f"{value:.3f} dB") for key, value in (terms or {}).items()]
    if directivity is None:
        return rows
    columns = tables.summary_columns(directivity)
    frequency = columns["frequency_hz"]
    rows.append(("Frequencies", f"{_hertz(frequency[0])} to {_hertz(frequency[-1])}, {frequency.size} of them"))
    if target is not None:
        deviation = index_deviation(directivity, target)
        if np.isfinite(deviation).any():
            worst = int(np.nanargmax(np.abs(deviation)))
            rms = float(np.sqrt(np.nanmean(deviation**2)))
            rows.append(("Index less wanted index, plain rms", f"{rms:.2f} dB"))
            rows.append(("… largest", f"{_signed(deviation[worst])} dB at {_hertz(frequency[worst])}"))
    for label, column, unit in (
        ("Directivity index, whole sphere", "directivity_index_db", " dB"),
        ("Directivity index, sound power", "sound_power_index_db", " dB"),
        ("Beamwidth at −6 dB", "beamwidth_deg", "°"),
        ("Error estimate of the index", "error_estimate_db", " dB"),
    ):
        span = _span(columns.get(column, np.empty(0)), digits=3 if column == "error_estimate_db" else 1)
        if span:
            rows.append((label, span + unit))
    return rows


def _span(values: FloatArray, *, digits: int) -> str:
    """The least and the greatest of the values that are numbers; empty if none is."""
    known = values[np.isfinite(values)]
    return f"{known.min():.{digits}f} to {known.max():.{digits}f}" if known.size else ""


def index_deviation(directivity: Directivity, target: Target) -> FloatArray:
    """(F,) dB, the index that the target names less the wanted one; nan outside the target and where not valid."""
    columns = tables.summary_columns(directivity)
    index = columns["directivity_index_db" if target.index_kind == "sphere" else "sound_power_index_db"]
    wanted = tables.target_columns(target, columns["frequency_hz"])["index_db"]
    return np.where(directivity.valid, index - wanted, np.nan)


def _families(families: Sequence[FamilyResult]) -> list[tuple[str, str, str, str]]:
    ranked = sorted(families, key=lambda each: (each.full is None, each.full, each.screen or 0.0))
    best = ranked[0].full if ranked else None
    rows = []
    for each in ranked:
        behind = "–"
        if each.full is not None and best is not None:
            behind = "winner" if each is ranked[0] else f"{each.full - best:.3f} dB"
        screen, full = ("–" if score is None else f"{score:.3f}" for score in (each.screen, each.full))
        rows.append((_spoken(each.family), screen, full, behind))
    return rows


def _pictures(
    waveguide: Waveguide,
    directivity: Directivity | None,
    target: Target | None,
    history: Sequence[Mapping[str, Any]],
) -> list[_Picture]:
    depth, mouth = waveguide.meridian.depth / MILLIMETRE, 2 * waveguide.meridian.mouth_radius / MILLIMETRE
    pictures = [
        _picture(
            figures.profile(waveguide),
            alt=f"Meridian of the waveguide to scale: {depth:.1f} mm deep, mouth {mouth:.1f} mm across.",
            caption="Check the depth against the cabinet, and the smallest hollow radius against your cutter:"
            " the tool's radius must be below it.",
        )
    ]
    if directivity is not None:
        pictures += _sound_pictures(directivity, target)
    if history:
        pictures.append(
            _picture(
                figures.search_history(history),
                alt=f"Scores of {len(history)} scored candidates over their number, by family, with the best so far.",
                caption="If the best line still falls at the right edge, a longer search will pay; if it has been flat"
                " for long, change the limits instead. Pale points break a limit.",
            )
        )
    return pictures


def _sound_pictures(directivity: Directivity, target: Target | None) -> list[_Picture]:
    columns = tables.summary_columns(directivity)
    span = _span(columns["directivity_index_db"], digits=1) or "unknown"
    return [
        _picture(
            figures.index_and_beamwidth(directivity, target),
            alt=f"Directivity index ({span} dB) and beamwidth over frequency.",
            caption=_band_sentence(directivity, target),
        ),
        _picture(
            figures.directivity_map(directivity),
            alt="Map of the level re on-axis over frequency and off-axis angle, with lines at −3, −6, −12 and −18 dB.",
            caption="Even sound off axis is parallel lines: where the −6 dB line (thick) pinches or flares, the room"
            " hears another balance than the listener on axis.",
        ),
        _picture(
            figures.off_axis_curves(directivity),
            alt="Level re on-axis over the off-axis angle at five frequencies.",
            caption="Aim so that every seat lies where the curves still run together; where they part, tone changes"
            " with the seat.",
        ),
        _picture(
            figures.standard_curves(directivity),
            alt="On-axis, early reflections, sound power and in-room curves re the listening window, and both indices.",
            caption="As if equalised flat on the listening window: a smooth, gently falling in-room curve can be left"
            " alone; a step in it comes from the directivity, and no equaliser mends that.",
        ),
        _picture(
            figures.throat_impedance(directivity),
            alt="Resistance and reactance at the throat over frequency.",
            caption="Cross over where the resistance is high and calm; ripples are reflections from the mouth, which"
            " a larger roundover softens.",
        ),
    ]


def _band_sentence(directivity: Directivity, target: Target | None) -> str:
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
        f" {_hertz(frequency[worst])} ({_signed(deviation[worst])} dB, {more} than wanted): look there first."
    )


def _picture(figure: Any, *, alt: str, caption: str) -> _Picture:
    return _Picture(base64.b64encode(figures.png(figure)).decode("ascii"), *figures.page_size(figure), alt, caption)


def _validity(waveguide: Waveguide, directivity: Directivity | None) -> list[str]:
    air = Air() if directivity is None else Air(directivity.speed_of_sound, directivity.density)
    radius = waveguide.driver.exit_radius
    cross, ring = (tube_cut_on(radius, air=air, mode=mode) for mode in ("cross", "axisymmetric"))
    lines = [
        "Walls are rigid and lossless, the air is linear, and nothing stands in the waveguide.",
        "The driver moves the air evenly over its exit. Below"
        f" {_hertz(cross)} its first non-axisymmetric mode is cut off at the throat; above, a real driver's pattern may"
        f" lean to one side. Its first axisymmetric mode is cut off below {_hertz(ring)}.",
    ]
    if waveguide.mounting.radius is None:
        lines.append(
            "The mouth sits in an infinite baffle. A real cabinet adds diffraction at its edges and sound behind it:"
            " expect departures where the wavelength is longer than the front is wide."
        )
    else:
        lines.append("The mouth sits on a rigid sphere. A real cabinet's edges diffract otherwise.")
    if directivity is not None and not directivity.valid.all():
        bad = directivity.observation.frequency[~directivity.valid]
        lines.append(
            f"Not valid at {bad.size} frequencies between {_hertz(bad[0])} and {_hertz(bad[-1])}: hatched above."
        )
    if directivity is not None and directivity.error_estimate is not None:
        span = _span(directivity.error_estimate, digits=3) or "unknown"
        lines.append(f"The solver's own estimate of its error of the index, by frequency, dB: {span}.")
    return lines


def _provenance(directivity: Directivity | None, more: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    record = {
        "evenflare": evenflare.__version__,
        **({} if directivity is None else directivity.provenance),
        **(more or {}),
    }
    return [
        (_spoken(key), value if isinstance(value, str) else json.dumps(value, default=tables.plain, ensure_ascii=False))
        for key, value in record.items()
    ]


def _spoken(name: str) -> str:
    return name.replace("_", " ")


def _unit_apart(name: str) -> str:
    """`depth_mm` as "depth, mm"."""
    words, _, unit = name.rpartition("_")
    return f"{_spoken(words)}, {unit}" if unit in ("mm", "deg", "db", "hz", "m") and words else _spoken(name)


def _signed(value: float) -> str:
    return "0.00" if abs(value) < 0.005 else f"{value:+.2f}".replace("-", "−")


def _hertz(frequency: float) -> str:
    return f"{frequency / 1e3:.3g} kHz" if frequency >= 1e3 else f"{frequency:.3g} Hz"
