"""Shapes that a search begins from, as members of its families within the target's limits."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenflare.files import InputError, short
from evenflare.search.evolution import Vector
from evenflare.search.worker import Job, waveguide_of
from evenflare.target.target import Target
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Mounting, Oblong, ParameterSpace, Points, Waveguide, kept
from evenflare.waveguide.fitting import EXACT, Fit, fitted
from evenflare.waveguide.likeness import farthest, outline, walls
from evenflare.words import spoken

EXIT_APART = 1.0 * MILLIMETRE
"""Between the throat's diameter of a start and the driver's exit: more is another driver's."""
LARGEST_MISFIT = 0.05
"""Of the mouth's radius, that a member may leave the shape by: more is another shape."""
SIZES = ("depth_mm", "mouth_diameter_mm", "mouth_width_mm", "mouth_height_mm", "section_exponent", "throat_angle_deg")
"""Limits whose value a fit puts on the bound."""
DECIMALS = 12
"""Of a start's vector: more than a descent asks for, so that a design is taken over to its last digit but a few."""
TOLD = 5e-3
"""In the unit of a limit; what moved by less is not worth a word."""


@dataclass(frozen=True)
class Start:
    """A shape that a search begins from, as a member of a family within the target's limits.

    name   : as the user named it, for words.
    family : of the member.
    vector : on [0, 1], rounded to DECIMALS.
    misfit : m, greatest distance between the walls of the shape and of its member.
    notes  : what became of the shape on the way, a sentence each without its full stop.
    """

    name: str
    family: str
    vector: Vector
    misfit: float
    notes: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What it is, in a line."""
        fit = "exactly" if self.misfit <= EXACT else f"within {self.misfit / MILLIMETRE:.2g} mm"
        notes = "".join(f"; {note}" for note in self.notes)
        return f"{short(self.name)}: taken over {fit} as a member of family {self.family}{notes}"


def start_at(target: Target, given: Waveguide, *, name: str, like: Job | None = None) -> Start:
    """A shape as the member of the target's families that comes nearest to it; of the same family, as it is.

    given : its driver and mounting do not count, but for the size of its throat.
    like  : a candidate of another run that it is; if it is one here too, its very vector is the start.
    A round shape for oblong mouths is stretched in each plane to the nearest mouth that the limits allow.
    Errors: InputError if its throat is another driver's, it is oblong and the target round, or no member is near.
    """
    if like is not None and like.family in target.families and _is_same(target, like, given):
        return Start(name, like.family, like.vector, 0.0, tuple(_broken(target, given)))
    oblong = not given.is_round
    if oblong and not target.oblong:
        raise InputError(
            f"--from {short(name)}: is oblong, and {target.source} [limits] mouth_diameter_mm asks for round mouths:"
            " must be round. Give mouth_width_mm and mouth_height_mm instead, or the points of one plane"
        )
    given = replace(given, mounting=Mounting())
    wanted, notes = walls(given), list[str]()
    exit_diameter, throat = 2.0 * target.driver.exit_radius, 2.0 * float(wanted[0, 0, 1])
    if abs(throat - exit_diameter) > EXIT_APART:
        raise InputError(
            f"--from {short(name)}: has a throat of {throat / MILLIMETRE:.4g} mm: must be that of {target.source}"
            f" [driver] exit_diameter_mm = {exit_diameter / MILLIMETRE:g}, to {EXIT_APART / MILLIMETRE:g} mm. Begin"
            " from a shape for this driver, or correct the exit"
        )
    guessed = given
    if target.oblong and not oblong:
        wanted, notes = _stretched(target, wanted[0])
        if notes:
            horizontal, vertical = (Points(tuple((z, r) for z, r in plane.tolist())) for plane in wanted)
            guessed = Waveguide(Oblong(horizontal, vertical), target.driver)
    best: tuple[Fit, str] | None = None
    family_of = (given.shape.horizontal if isinstance(given.shape, Oblong) else given.shape).family
    # Of its own family it is likely there as it is, and nothing else need be looked at.
    for family in sorted(target.families, key=lambda each: each != family_of):
        space = ParameterSpace(family, target.limits, target.driver, target.mounting)
        found = fitted(space, wanted, space.vector(guessed))
        if found is not None and (best is None or found.misfit < best[0].misfit):
            best = found, family
        if best is not None and best[0].misfit <= EXACT:
            break
    return _checked(target, given, wanted, best, name, notes)


def _checked(
    target: Target, given: Waveguide, wanted: FloatArray, best: tuple[Fit, str] | None, name: str, notes: list[str]
) -> Start:
    """The start, where its member is near enough. InputError otherwise."""
    moved: list[str] = []
    most = LARGEST_MISFIT * float(wanted[:, -1, 1].max())
    misfit = np.inf
    if best is not None:
        fit, family = best
        vector = tuple((np.round(np.clip(fit.vector, 0.0, 1.0), DECIMALS) + 0.0).tolist())
        member = waveguide_of(target, family, vector)
        misfit = fit.misfit
        if isinstance(given.shape, Oblong):
            misfit = max(misfit, farthest(outline(replace(member, mounting=Mounting())), outline(given)))
        moved = _moved(target, given, member)
        if misfit <= most:
            return Start(name, family, vector, misfit, (*notes, *_broken(target, member), *moved))
    sizes = f" ({'; '.join(moved)})" if moved else ""
    far = f"{misfit / MILLIMETRE:.3g} mm away" if np.isfinite(misfit) else "nowhere near"
    families = "family" if len(target.families) == 1 else "families"
    freer = "" if "free" in target.families else ', add "free" to [search] families'
    raise InputError(
        f"--from {short(name)}: is no shape of this search: the nearest member of {families}"
        f" {', '.join(target.families)} within {target.source} [limits] is {far}{sizes}: must be at most"
        f" {most / MILLIMETRE:.3g} mm, a twentieth of its mouth's radius. Widen [limits]"
        f"{freer}, or leave it out"
    )


def _is_same(target: Target, job: Job, given: Waveguide) -> bool:
    """Whether a candidate's vector gives this very shape here too."""
    try:
        member = waveguide_of(target, job.family, job.vector)
        return member.driver == given.driver and member.shape == given.shape
    except ValueError:
        return False


def _broken(target: Target, member: Waveguide) -> list[str]:
    """What limits a member breaks, in words."""
    limits = kept(member, target.limits).items()
    broken = [f"{key} by {each.excess:.3g}" for key, each in limits if not each.kept]
    return [f"breaks {', '.join(broken)}: it is begun from, but cannot win as it is"] if broken else []


def _moved(target: Target, given: Waveguide, member: Waveguide) -> list[str]:
    """Sizes of a shape that the limits do not allow, and what they have become."""
    before, after = (kept(replace(each, mounting=Mounting()), target.limits) for each in (given, member))
    found = []
    for key in (*SIZES, *(each.key for each in target.limits.bounds)):
        if key not in before or key not in after or before[key].kept:
            continue
        if given.is_round and target.oblong and key.startswith("mouth"):  # stretched, and told so
            continue
        was, now = before[key].value, after[key].value
        if abs(was - now) > TOLD:
            stem, _, unit = key.rpartition("_")
            name, unit = (stem, f" {unit}") if unit in ("mm", "deg", "hz") else (key, "")
            found.append(f"{spoken(name)} {was:.4g}{unit} is outside the limits and becomes {now:.4g}{unit}")
    return found


def _stretched(target: Target, wall: FloatArray) -> tuple[FloatArray, list[str]]:
    """A round wall (N, 2) in both planes (2, N, 2), each as wide as the limits' nearest mouth, and words for that."""
    throat, mouth = float(wall[0, 1]), float(wall[-1, 1])
    wanted = [min(max(mouth, 0.5 * low), 0.5 * high) for low, high in target.limits.mouth]
    planes = []
    for radius in wanted:
        plane = wall.copy()
        plane[:, 1] = throat + (wall[:, 1] - throat) * (radius - throat) / (mouth - throat)
        planes.append(plane)
    if all(abs(radius - mouth) <= EXACT for radius in wanted):
        return np.stack(planes), []
    sizes = " x ".join(f"{2 * radius / MILLIMETRE:.4g}" for radius in wanted)
    return np.stack(planes), [f"its round mouth of {2 * mouth / MILLIMETRE:.4g} mm is stretched to {sizes} mm first"]


def starts_question(starts: Sequence[Start]) -> dict[str, str]:
    """What tells runs with different starts apart, by key; nothing without any."""
    return {"--from": json.dumps([[each.family, *each.vector] for each in starts])} if starts else {}
