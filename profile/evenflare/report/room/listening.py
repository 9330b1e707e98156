"""The page that plays what a seat hears."""

from __future__ import annotations

from collections.abc import Sequence

from evenflare.report.kit.sheet import rendered
from evenflare.room.room import Room

CAUTION = (
    "Start with the volume low, and turn it up slowly: clicks and drums have peaks far above their loudness. Loud sound"
    " harms hearing, over headphones above all, and the harm stays"
)


def page(names: Sequence[str], room: Room, sounds: Sequence[tuple[str, str]], *, ears: str, command: str) -> str:
    """The text of the page.

    names  : of the designs, A and B.
    sounds : how the files of each begin, and what it is called.
    """
    return rendered(
        "listening.html",
        names=list(names),
        seats=[seat.name for seat in room.seats],
        sounds=[{"file": file, "label": label} for file, label in sounds],
        caution=CAUTION,
        how=_how(room, ears),
        command=command,
        room=room.name,
    )


def _how(room: Room, ears: str) -> list[str]:
    """What was done, in sentences."""
    lines = [
        "All versions have one loudness (ITU-R BS.1770), the direct sound alone too, so that none wins by being louder:"
        " what a seat loses by distance is not heard here. listening.json has the gains.",
        f"Images to order {room.order} with their own delay, level and phase, then noise that decays in every third of"
        " an octave as the room does. What the directivity does not cover is held at its ends.",
        "The axis has the phase that goes with its magnitude (minimum phase); other directions have theirs relative to"
        " it.",
    ]
    if ears == "binaural":
        lines.append(
            "For headphones: the ears of a rigid sphere of 175 mm, without pinnae. Whether a sound seems in front, and"
            " how far, differs between people; differences between A and B are what this is for."
        )
    else:
        lines.append("One channel: the pressure where the head would be. Nothing of direction is left.")
    if room.second is not None:
        lines.append("Both loudspeakers play: of a sound with two channels one each, else both the same.")
    return lines
