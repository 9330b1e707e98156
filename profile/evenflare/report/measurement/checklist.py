"""The plan of a measurement in words: what it will tell, what to do and to beware of, and every reading to be taken."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenflare.measurement.enough_orbits import enough_orbits
from evenflare.measurement.plan import MeasurementPlan
from evenflare.measurement.window import height_for
from evenflare.results.plan import file_name
from evenflare.units import DEGREE, MILLISECOND
from evenflare.words import hertz

if TYPE_CHECKING:
    from evenflare.report.kit.sheet import PageSection

BOX = "☐"
CAUTIONS = (
    "Loud signals: a sweep through a waveguide is loud at its mouth. Start low, wear ear protection, never look into"
    " the mouth while it is driven, warn everybody near. Usual limits for unprotected ears: 85 dB(A) for 8 hours, 88"
    " for 4, 91 for 2, 94 for 1, 100 for 15 minutes (NIOSH)",
    "Height: a mast or stand rated for the weight and the wind, with a second safety bond; guyed, clear of power"
    " lines, nobody below it. Load it near the ground and raise it. Not in gusts, not with lightning about. Two people"
    " at least; local rules for work at height come first",
    "The driver: a series capacitor or a high-pass before any sweep; check polarity and level with a quiet one first",
    "Mains outdoors: a residual-current device, dry connectors, cables where nobody trips",
)
"""Usual practice; exposure from NIOSH 98-126 (from memory)."""


def findings(plan: MeasurementPlan) -> list[str]:
    """What the place allows, a line each."""
    place, air = plan.place, plan.place.air
    first = "the ground" if plan.wall is None or plan.ground <= plan.wall else "the nearest other surface"
    return [
        f"Reflection-free window: {plan.free / MILLISECOND:.2f} ms after the direct sound, until {first} is heard",
        f"Gate: {plan.gate / MILLISECOND:.2f} ms (0.9 of it) from the arrival to the end of its taper",
        f"Lowest trustworthy frequency: {plan.lowest:.0f} Hz; level to about 1 dB from {plan.lowest_even:.0f} Hz",
        f"Far field of the mouth at {place.distance:g} m: up to {hertz(plan.far_field_to)}; above it compare with a"
        " prediction for the same distance (evenflare solve --like), not with the far field",
        f"Steps of {place.step / DEGREE:g} degrees tell what lies between them up to about {hertz(plan.angles_to)}",
        f"Readings: {plan.readings}"
        f" ({', '.join(f'{plane} {angles.size}' for plane, angles in plan.angles.items())}"
        f"{f', each {place.repeats} times' if place.repeats > 1 else ''}), each recorded for at least"
        f" {plan.record / MILLISECOND:.0f} ms after the sound is sent",
        f"Speed of sound: {air.speed_of_sound:.1f} m/s at {place.temperature - 273.15:g} degrees Celsius; the direct"
        f" sound takes {place.distance / air.speed_of_sound / MILLISECOND:.2f} ms",
    ]


def warnings(plan: MeasurementPlan, *, wanted_from: float | None, wanted_to: float) -> list[str]:
    """What the place does not allow of what is wanted (Hz), each with a remedy."""
    found = []
    place, speed = plan.place, plan.place.air.speed_of_sound
    if wanted_from is not None and plan.lowest > wanted_from:
        height = float(height_for(0.9 * wanted_from, place.distance, speed_of_sound=speed))
        if plan.wall is not None and plan.wall < plan.ground:
            remedy = f"keep {height:.2f} m from other surfaces"
        else:
            remedy = f"raise source and microphone to {height:.2f} m, or go nearer"
        found.append(f"{wanted_from:g} Hz is wanted and {plan.lowest:.0f} Hz is the lowest: {remedy}")
    if plan.angles_to < wanted_to:
        fine = speed / (place.mouth * wanted_to) / DEGREE
        step = max((each for each in (5.0, 3.0, 2.5, 2.0, 1.5, 1.0) if each <= fine), default=1.0)
        if step < place.step / DEGREE:
            reach = hertz(place.step / (step * DEGREE) * plan.angles_to)
            found.append(
                f"above {hertz(plan.angles_to)} steps of {place.step / DEGREE:g} degrees may miss what a beam does"
                f" between them: --step-deg {step:g} reaches {reach}"
            )
    if place.distance < 3.0 * place.mouth:
        found.append(
            f"the microphone stands {place.distance / place.mouth:.1f} mouth widths away: a millimetre of placement"
            " counts. Three or more are usual"
        )
    if place.air.remark:
        found.append(place.air.remark)
    return found


def orbits_warnings(plan: MeasurementPlan, *, wanted_to: float, wanted_index: float) -> list[str]:
    """What two orbits leave open of the index (wanted to so many dB) of an oblong mouth, and how many it takes."""
    place = plan.place
    if place.mouth_height is None or place.symmetry == "round":
        return []
    enough = enough_orbits(place.mouth, place.mouth_height, to=wanted_to, speed_of_sound=place.air.speed_of_sound)
    if enough.uncertainty[0] <= wanted_index:
        return []
    least = enough.least(wanted_index)
    sizes = ", ".join(f"{n} leave {each:.2f} dB" for n, each in zip(enough.orbits, enough.uncertainty, strict=True))
    takes = f"{least} orbits" if least else f"more than {enough.orbits[-1]} orbits"
    return [
        f"two orbits do not tell the power of a mouth {place.mouth:g} by {place.mouth_height:g} m: for an index to"
        f" {wanted_index:g} dB (standard uncertainty) up to {hertz(wanted_to)} it takes {takes}, evenly turned about"
        f" the axis ({sizes}). evenflare measure reads two: let a solution stand for the rest (--model), or compare"
        " level by level with evenflare solve --like"
    ]


def steps(plan: MeasurementPlan) -> list[str]:
    """What to do, in order, with the numbers of the place."""
    place = plan.place
    one_sided = any(angles[0] > -DEGREE for angles in plan.angles.values())
    slower = 0.61 / place.air.speed_of_sound * place.distance / place.air.speed_of_sound
    near = 20.0 * np.log10(place.distance / (0.5 * place.mouth))
    return [
        "Weather: little wind, no rain, nothing loud nearby; note temperature and humidity at the start and at the end",
        f"A degree changes the speed of sound by 0.6 m/s, the arrival by {1e6 * slower:.0f} microseconds"
        f" ({360.0 * 1e4 * slower:.0f} degrees at 10 kHz): read the first angle again at the end and each half hour",
        f"Heights: mouth {place.source_height:g} m and microphone {place.microphone_height:g} m above the ground,"
        f" measured to a centimetre; distance {place.distance:g} m from the turntable's axis, to a millimetre",
        "The turntable's axis crosses the waveguide's in the mouth plane, or note where (rotation_centre_z_mm)",
        "Angle 0: turn to + and - 30 degrees; where the loudspeaker is symmetric both responses lie on each other"
        + ("; one side only is planned: what is left cannot be fitted afterwards" if one_sided else ""),
        "One clock and one delay for all angles: a loop back or a common trigger, gain untouched from first to last",
        "The microphone points at the mouth, its calibration file is at hand; stand and clamps thin or wrapped in felt",
        f"Level: first 20 dB down; then peaks 6 to 12 dB below full scale on axis, and 40 dB above the noise or more."
        f" At the mouth it is some {near:.0f} dB louder than at the microphone",
        "Before the run: the gated response on axis twice, alike within 0.1 dB above the lowest frequency",
        "After the run: axis again. More than 0.3 dB or 10 microseconds off: find out why, or measure again",
    ]


def page(plan: MeasurementPlan, *, written: Sequence[tuple[str, str]], command: str, told: Sequence[str]) -> str:
    """A page to print: the findings, steps and cautions to tick, every reading. `told`: the warnings."""
    from evenflare.report.kit.sheet import PageSection, sheet  # loads what draws, which words alone do without

    place = plan.place
    rows = [
        [hertz(f), f"{far:.2f} m", f"{lag / DEGREE:.0f}°", f"{loss:.2f} dB"]
        for f, far, lag, loss in zip(plan.frequency, plan.far_field, plan.lag, plan.loss, strict=True)
    ]
    frequency = PageSection(
        "Over frequency",
        lines=[
            f"Of a mouth {place.mouth:g} m wide at {place.distance:g} m: where its far field begins (twice its square"
            " over the wavelength), by how much the wave from its rim lags that from its centre, and what the air takes"
            " on the way (ISO 9613-1), which is compensated",
        ],
        head=["Frequency", "Far field from", "Lag of the rim", "Lost in the air"],
        rows=rows,
    )
    return sheet(
        "Plan of a measurement",
        f"A mouth {place.mouth:g} m wide, {place.source_height:g} m above the ground; a microphone"
        f" {place.microphone_height:g} m above it; {place.distance:g} m between them. To be printed and ticked.",
        parts=[
            PageSection("What this place allows", lines=findings(plan)),
            PageSection("Cautions", lines=[f"{BOX} {each}" for each in CAUTIONS]),
            PageSection("Before and after", lines=[f"{BOX} {each}" for each in steps(plan)]),
            frequency,
            _readings(plan),
        ],
        written=written,
        command=command,
        warnings=told,
    )


def _readings(plan: MeasurementPlan) -> PageSection:
    """A row an angle, a file and a box for each plane."""
    from evenflare.report.kit.sheet import PageSection

    planes = list(plan.angles)
    every = np.unique(np.concatenate(list(plan.angles.values())).round(9))
    rows = []
    for angle in every:
        row = [f"{round(angle / DEGREE, 3) + 0.0:g}"]
        for plane in planes:
            there = np.any(np.abs(plan.angles[plane] - angle) < 1e-6)
            names = [
                f"{BOX} {file_name(plane, angle, repeat, plan.place.repeats)}"
                for repeat in range(1, plan.place.repeats + 1)
            ]
            row.append("  ".join(names) if there else "")
        rows.append(row)
    return PageSection(
        "Readings",
        lines=[
            "Angles in degrees: horizontal + toward the side that a listener facing the mouth has at the right,"
            " vertical + up. 0 is on axis, 180 straight behind"
        ],
        head=["Off axis", *(plane.capitalize() for plane in planes)],
        rows=rows,
    )
