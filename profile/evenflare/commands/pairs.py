"""What `room` adds where its room has two loudspeakers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from evenflare.results import formats
from evenflare.results import pair as tables

if TYPE_CHECKING:
    from evenflare.directivity.types import Directivity
    from evenflare.report.kit.sheet import PageSection, Picture
    from evenflare.room.room import Room


class PairMade(NamedTuple):
    """A pair's table, its figure, and what says it."""

    columns: formats.Columns
    record: dict[str, Any]
    figure: Any
    line: str
    caption: str
    found: Any

    def section(self, picture: Picture, *, of: str) -> PageSection:
        """The page's part."""
        from evenflare.report.room import pair

        return pair.section(self.found, picture, of=of)


def pair_made(room: Room, directivity: Directivity) -> PairMade | None:
    """What both loudspeakers do together, or None where there is one."""
    if room.second is None:
        return None
    from evenflare.report.room import pair
    from evenflare.studies.pair import pair_in_room

    found = pair_in_room(room, directivity)
    return PairMade(
        tables.pair_columns(found),
        tables.record(found),
        pair.pair_map(found),
        pair.line(found),
        pair.caption(found),
        found,
    )
