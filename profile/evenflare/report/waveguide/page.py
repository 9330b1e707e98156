"""One page for a design or a search: a single HTML file that opens anywhere, without a network."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from markupsafe import Markup

from evenflare.air import Air
from evenflare.closed_forms import tube_cut_on
from evenflare.directivity.types import Directivity
from evenflare.manufacture.proof.proof import Proof
from evenflare.objective import HOW_TERMS_COUNT, Score
from evenflare.report.kit import style
from evenflare.report.kit.sheet import PageSection, Picture, rendered
from evenflare.report.kit.sheet import picture as drawn
from evenflare.report.shop import cutting
from evenflare.report.waveguide import agreement as agreements
from evenflare.report.waveguide import answer, balloon, figures, rows, view
from evenflare.report.waveguide import cabinet as cabinets
from evenflare.report.waveguide.front import TradeOffs
from evenflare.report.waveguide.rows import FamilyResult
from evenflare.results import tables
from evenflare.studies.agreement import Agreement
from evenflare.studies.cabinet import CabinetEffect
from evenflare.studies.course import course
from evenflare.studies.trust import errors_at_most
from evenflare.studies.verdict import TargetVerdict
from evenflare.target.target import Target
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide
from evenflare.words import hertz, millimetres, span

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

_MAP_CAPTIONS = {
    "": "Even sound off axis is parallel lines: where the −6 dB line (thick) pinches or flares, the room hears another"
    " balance than the listener on axis.",
    "horizontal": "Across the room. Even sound off axis is parallel lines: where the −6 dB line (thick) pinches or"
    " flares, the room hears another balance than the listener on axis.",
    "diagonal": "Between both planes: what is uneven here shows in no other map, and reaches the room by its corners.",
    "vertical": "Toward floor and ceiling, whose reflections come first and cannot be moved away from.",
}
"""By plane."""


class _Study(NamedTuple):
    """A section of its own: words and a picture."""

    name: str
    title: str
    lines: list[str]
    picture: Picture


def report(
    waveguide: Waveguide,
    *,
    name: str,
    design_id: str,
    what: str,
    command: str,
    directivity: Directivity | None = None,
    target: Target | None = None,
    score: Score | None = None,
    tip_below_throat: float | None = None,
    history: Sequence[Mapping[str, Any]] = (),
    families: Sequence[FamilyResult] = (),
    verdict: TargetVerdict | None = None,
    steps: Sequence[tuple[str, str]] = (),
    ladder: Sequence[str] = (),
    trade_offs: TradeOffs | None = None,
    beside: Sequence[PageSection] = (),
    written: Sequence[tuple[str, str]] = (),
    all_round: Directivity | None = None,
    provenance: Mapping[str, Any] | None = None,
    agreement: Agreement | None = None,
    alone: str = "",
    cabinet: CabinetEffect | None = None,
    proof: Proof | None = None,
    changes: Sequence[str] = (),
    left_out: Sequence[str] = (),
    solid: str = "block",
    pictures: Mapping[str, Any] | None = None,
) -> str:
    """The text of the page. What is left out is not shown.

    name     : of the design, the title; any characters, they are escaped.
    what     : a sentence: what this is, where it comes from, and that the data are invented if they are.
    command  : what to type to make it again.
    target   : what the sound and, by its limits, the shape are held against.
    tip_below_throat : m, by which the cutter's tip passes the throat plane.
    history  : rows for `figures.search_history`.
    families : what became of each, any order.
    verdict  : how the sound stands to the target, the first thing on the page;
    steps    : what to do next, a sentence without its full stop and the command each.
    ladder   : how far the stages of a search agree, a sentence each without its full stop.
    trade_offs : of a search: its front, and the limits that hold the winner back.
    beside   : what else there is to say of the search: other shapes, starts, what was assumed.
    written  : files beside the page and what each is for.
    all_round : `directivity` seen from more sides, for the balloon, see `studies.directions.dense`; what is not
               drawable is left out. What is the same round the axis serves by itself.
    provenance : plain values beside the directivity's own, with their unit at the end of the name.
    agreement : both methods on it; a disagreement stands at the top of the page.
    alone    : why the methods were not compared, a sentence without its full stop.
    cabinet  : the same waveguide in other mountings.
    proof    : of the programs beside the page; a failure stands at the top of the page.
    changes  : what of the part is not made as asked, a sentence each without its full stop; at the top too.
    left_out : programs that cannot be made, a line on each; they stand there too.
    solid    : the kind of solid that the design asks for.
    pictures : of all that by the names of their files, where they are there already.
    """
    limits = [] if target is None else rows.limits(waveguide, target.limits)
    if all_round is None:
        all_round = directivity
    if pictures is None:
        pictures = figures.pictures(waveguide, directivity, target, all_round=all_round)
    return rendered(
        "page.html",
        title=name,
        design_id=design_id,
        what=what,
        answer=verdict,
        steps=list(steps),
        scored=answer.scored(score, [] if verdict else limits, families),
        warnings=[
            *_warnings(agreement, proof),
            *(f"No program {line}" for line in left_out),
            *(f"{each[0].upper()}{each[1:]}" for each in changes),
        ],
        notes=_notes(waveguide, solid),
        sections=rows.sections(waveguide),
        numbers=[rows.geometry(waveguide), *([] if directivity is None else [rows.sound(directivity, target)])],
        terms=[] if score is None else rows.terms(score),
        counting=HOW_TERMS_COUNT,
        limits=limits,
        placed=any(limit.place for limit in limits),
        families=rows.families(families),
        ladder=list(ladder),
        trade=trade_offs,
        beside=list(beside),
        view=space_view(waveguide, all_round),
        pictures=_pictures(pictures, waveguide, directivity, target, history, tip_below_throat),
        studies=_studies(pictures, agreement, cabinet, proof),
        validity=[*_validity(waveguide, directivity), *([f"{alone[0].upper()}{alone[1:]}."] if alone else [])],
        cautions=CAUTIONS,
        written=list(written),
        command=command,
        provenance=rows.provenance(directivity, provenance or {}),
    )


def _notes(waveguide: Waveguide, solid: str) -> list[str]:
    """What the user should know before anything else; solid : the kind that is made."""
    radius = waveguide.mounting.radius
    if waveguide.mounting.kind == "cabinet":
        return [
            "The model has the mouth flush in the front of its cabinet. The exported solid is the waveguide alone:"
            " build the cabinet around it to get what is shown here."
        ]
    if waveguide.mounting.kind == "free_standing":
        if solid == "body":
            return []
        return [
            "The model has the mouth in a free-standing body. The exported solid does not: its front is flat and its"
            " outside a block or a cylinder. Build the body around it to get what is shown here."
        ]
    if radius is None:
        return []
    return [
        f"The model has the mouth in a sphere of radius {millimetres(radius, 1)}. The exported solid does not: its"
        " front is flat and its body a cylinder. Build the sphere around it to get what is shown here."
    ]


def space_view(waveguide: Waveguide, all_round: Directivity | None) -> dict[str, Any]:
    """What `view.html` asks for: the wall in space, with the balloon where there is one to draw."""
    script = view.script()
    colours, low = style.LEVELS, balloon.FLOOR
    return {
        "picture": drawn(figures.shape(waveguide), alt=f"The wall in space, {_size(waveguide)}.", caption=""),
        "data": Markup(view.data_text(view.data(waveguide, all_round))),
        "script": Markup(script),
        "script_hash": view.script_hash(script),
        "colours": ", ".join(colours),
        "levels": [
            (f"{level:g}".replace("-", "−"), round(100 * (level - low) / (style.HIGHEST - low), 2))
            for level in (-30.0, -24.0, -18.0, -12.0, -6.0, 0.0)
        ],
        "legend": "Colour and distance from the centre are the level re on-axis, dB; the ring is as far out as the"
        " on-axis level.",
    }


def _size(waveguide: Waveguide) -> str:
    width, height = waveguide.mouth_width / MILLIMETRE, waveguide.mouth_height / MILLIMETRE
    mouth = f"{width:.1f} mm across" if waveguide.is_round else f"{width:.1f} mm wide and {height:.1f} mm high"
    return f"{waveguide.depth / MILLIMETRE:.1f} mm deep, mouth {mouth}"


def _pictures(
    made: Mapping[str, Any],
    waveguide: Waveguide,
    directivity: Directivity | None,
    target: Target | None,
    history: Sequence[Mapping[str, Any]],
    tip_below_throat: float | None,
) -> list[Picture]:
    caption = (
        "Check the depth against the cabinet, and the smallest concave radius against your cutter: the tool's radius"
        " must be below it."
    )
    if tip_below_throat is not None and tip_below_throat > 0.0:
        caption += f" The ball's tip passes the throat plane by {millimetres(tip_below_throat)}: keep that free below."
    what = "Meridian" if waveguide.is_round else "Both meridians"
    pictures = [
        drawn(
            made["profile.png"],
            alt=f"{what} of the waveguide to scale: {_size(waveguide)}.",
            caption=caption,
        )
    ]
    if not waveguide.is_round:
        pictures.append(
            drawn(
                made["front.png"],
                alt=f"Sections at five depths from throat to mouth, seen from in front: {_size(waveguide)}.",
                caption="Width × height of each section in mm. Hold the mouth's against the front it goes into, and"
                " leave room for the flange.",
            )
        )
    if directivity is not None:
        pictures += _sound_pictures(made, directivity, target)
        if "balloon.png" in made:
            pictures.append(
                drawn(
                    made["balloon.png"],
                    alt="Directivity balloons at octaves: level re on-axis as distance from the centre, and as colour.",
                    caption="A good balloon keeps its outline from one octave to the next and is smooth between the"
                    " planes: a lobe that neither plane shows still reaches the room.",
                )
            )
    if history:
        measured, unscored = course(history), "Shapes that break a limit have no score and no point."
        pictures.append(
            drawn(
                figures.search_history(history),
                alt=f"Scores of {len(history)} scored candidates over their number, by family, with the best so far.",
                caption=f"{measured.words}. {unscored}" if measured else unscored,
            )
        )
    return pictures


def _sound_pictures(made: Mapping[str, Any], directivity: Directivity, target: Target | None) -> list[Picture]:
    columns = tables.summary_columns(directivity)
    between = span(columns["directivity_index_db"], digits=1) or "unknown"
    return [
        drawn(
            made["index_and_beamwidth.png"],
            alt=f"Directivity index ({between} dB) and beamwidth over frequency.",
            caption=rows.band_sentence(directivity, target),
        ),
        *(
            drawn(
                made[f"directivity_map{name and '_' + name}.png"],
                alt=f"Map of the level re on-axis over frequency and off-axis angle{name and f', {name} plane'}, with"
                " lines at −3, −6, −12 and −18 dB.",
                caption=_MAP_CAPTIONS[name],
            )
            for name in figures.planes(directivity)
        ),
        drawn(
            made["off_axis_curves.png"],
            alt="Level re on-axis over the off-axis angle at five frequencies.",
            caption="Aim so that every seat lies where the curves still run together; where they part, tone changes"
            " with the seat.",
        ),
        drawn(
            made["standard_curves.png"],
            alt="On-axis, early reflections, sound power and in-room curves re the listening window, and both indices.",
            caption="As if equalised flat on the listening window: a smooth, gently falling in-room curve can be left"
            " alone; a step in it comes from the directivity, and no equaliser mends that.",
        ),
        drawn(
            made["throat_impedance.png"],
            alt="Resistance and reactance at the throat over frequency.",
            caption="Cross over where the resistance is high and calm; ripples are reflections from the mouth, which"
            " a larger roundover softens.",
        ),
    ]


def _warnings(agreement: Agreement | None, proof: Proof | None) -> list[str]:
    warnings = [] if agreement is None or not agreement.warning else [agreement.warning]
    if proof is not None and not proof.passed:
        warnings.append("The proof by cutting in software failed, and no program was written. See below for the place")
    return warnings


def _studies(
    made: Mapping[str, Any], agreement: Agreement | None, cabinet: CabinetEffect | None, proof: Proof | None
) -> list[_Study]:
    studies = []
    if agreement is not None:
        picture = drawn(
            made["agreement.png"] if "agreement.png" in made else agreements.figure(agreement),
            alt="Directivity index and horizontal beamwidth over frequency by the march and by boundary elements, and"
            " the difference of the index.",
            caption="Two methods that share nothing but the wall: where the curves lie on each other, the arithmetic is"
            " not in doubt. Green: what they may part by. agreement.csv holds the numbers.",
        )
        studies.append(_Study("methods", "Two methods", agreement.lines, picture))
    if cabinet is not None:
        picture = drawn(
            made["cabinet_effect.png"] if "cabinet_effect.png" in made else cabinets.figure(cabinet),
            alt="Directivity index, horizontal beamwidth and on-axis level over frequency in several mountings.",
            caption="Below the frequency at which the front is about a wavelength wide the body decides, not the"
            " waveguide: choose the crossover, or the cabinet, accordingly. cabinet_effect.csv holds the numbers.",
        )
        studies.append(_Study("cabinet", "What the cabinet does", cabinet.lines, picture))
    if proof is not None:
        picture = drawn(
            cutting.figure(cutting.shown(proof)),
            alt="Gouge and leftover along the normal over the part, as the programs cut it in software.",
            caption="Gouge is wood that should have stayed. Leftover after finishing is ridges, even all over;"
            " a patch that stands out was not reached. proof.json holds the numbers.",
        )
        studies.append(_Study("cutting", "Cut in software", cutting.lines(proof), picture))
    return studies


def _validity(waveguide: Waveguide, directivity: Directivity | None) -> list[str]:
    air = Air() if directivity is None else Air(directivity.speed_of_sound, directivity.density)
    radius = waveguide.driver.exit_radius
    cross, ring = (tube_cut_on(radius, air=air, mode=mode) for mode in ("cross", "axisymmetric"))
    evenly = "evenly" if waveguide.driver.velocity_profile is None else "after its velocity profile"
    lines = [
        "Walls are rigid and lossless, the air is linear, and nothing stands in the waveguide.",
        f"The driver moves the air {evenly} over its exit. Below"
        f" {hertz(cross)} its first non-axisymmetric mode is cut off at the throat; above, a real driver's pattern may"
        f" lean to one side. Its first axisymmetric mode is cut off below {hertz(ring)}.",
    ]
    if waveguide.mounting.kind == "free_standing":
        lines.append("The body is closed, rigid and alone in the air: no stand, no wall, no other driver beside it.")
        if directivity is not None and "body" in directivity.provenance:
            lines.append(f"{directivity.provenance['body'].capitalize()}.")
    elif waveguide.mounting.kind == "cabinet":
        lines.append("The cabinet is closed, rigid and alone in the air: no stand, no wall, no other driver beside it.")
        if directivity is not None and "cabinet" in directivity.provenance:
            lines.append(f"{directivity.provenance['cabinet'].capitalize()}.")
    elif waveguide.mounting.radius is None:
        lines.append(
            "The mouth sits in an infinite baffle. A real cabinet adds diffraction at its edges and sound behind it:"
            " expect departures where the wavelength is longer than the front is wide."
        )
    else:
        lines.append("The mouth sits on a rigid sphere. A real cabinet's edges diffract otherwise.")
    if directivity is not None and not directivity.valid.all():
        bad = directivity.observation.frequency[~directivity.valid]
        lines.append(
            f"Not valid at {bad.size} frequencies between {hertz(bad[0])} and {hertz(bad[-1])}: hatched above."
        )
    if directivity is not None and directivity.error_estimate is not None:
        between = span(directivity.error_estimate, digits=3) or "unknown"
        lines.append(
            f"The solver's own estimate of its error of the index, by frequency, dB: {between}; by quantity,"
            f" {errors_at_most(directivity)}."
        )
    return lines
