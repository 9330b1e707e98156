"""The room's part of `make bench`: time of a room with its pictures, of a candidate of a search, and of the join.

An invented living room of six seats, images to order 12, and an invented source. Times are process time on one core
after a first run that loads; nothing of the room is kept between runs, but for the candidates, where all of it is.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from evenflare.directivity.types import Directivity, Observation
from evenflare.report.kit import canvas
from evenflare.report.room import room_figures
from evenflare.room import paths
from evenflare.room.evenness import evenness_db
from evenflare.room.response import respond
from evenflare.room.room_file import read_room, read_rooms
from evenflare.studies.seats import DesignInRoom

ROOM = Path(__file__).parent.parent / "targets" / "rooms" / "living_room.toml"
DOZEN = ROOM.parent / "dozen"
CANDIDATES = 20


def source(narrow: float, frequencies: int) -> Directivity:
    """A beam that narrows with frequency."""
    frequency, off_axis = np.geomspace(190.0, 18e3, frequencies), np.linspace(0.0, np.pi, 37)
    power = narrow * np.log2(frequency / 150.0)[:, None]
    pressure = (0.5 + 0.5 * np.cos(off_axis)) ** power
    seen = Observation(frequency, off_axis)
    return Directivity(seen, pressure[:, None, :].astype(complex), np.ones(frequencies, dtype=bool), 1.2041, 343.2)


def in_cabinet(round_source: Directivity) -> Directivity:
    """The same as it is observed where no two sides are alike: three planes, both sides of each."""
    pressure = np.concatenate([round_source.pressure[:, :, :0:-1], round_source.pressure], axis=2)
    off_axis = np.concatenate([-round_source.observation.off_axis[:0:-1], round_source.observation.off_axis])
    frequency, planes = round_source.observation.frequency, np.array([0.0, 0.25, 0.5]) * np.pi
    seen = Observation(frequency, off_axis, planes, symmetry="none")
    return Directivity(seen, np.repeat(pressure, 3, axis=1), round_source.valid, 1.2041, 343.2)


def main() -> None:
    room, solved = read_room(ROOM), source(0.2, 60)
    print(f"\nroom, {len(room.seats)} seats, order {room.order}{'':31}{'s':>8}")
    for _ in range(2):
        paths._kept.cache_clear()
        start = time.process_time()
        response = respond(room, solved)
        heard = time.process_time()
        drawn = room_figures.pictures([DesignInRoom("bench", "", "", "", (200.0, 16e3), response)])
        pixels = [canvas.png(figure) for figure in drawn.values()]
        done = time.process_time()
    print(f"{'third-octaves and 24ths of an octave':50}{heard - start:8.2f}")
    print(f"{f'the same with {len(pixels)} pictures':50}{done - start:8.2f}  allowed 2")
    shapes = [source(narrow, 40) for narrow in np.linspace(0.05, 0.4, CANDIDATES)]
    paths._kept.cache_clear()
    start = time.process_time()
    evenness_db([room], shapes[0])
    first = time.process_time()
    found = [float(evenness_db([room], shape)[0]) for shape in shapes]
    each = (time.process_time() - first) / CANDIDATES
    print(f"{'images, delays and absorption, once for a search':50}{first - start:8.2f}")
    print(f"{'a candidate':50}{each:8.4f}  allowed 0.02; {min(found):.2f} to {max(found):.2f} dB")
    rooms, all_round = read_rooms(DOZEN), [in_cabinet(shape) for shape in shapes]
    start = time.process_time()
    evenness_db(rooms, all_round[0])
    first = time.process_time()
    found = [float(evenness_db(rooms, shape).mean()) for shape in all_round]
    each = (time.process_time() - first) / CANDIDATES
    print(f"{f'{len(rooms)} rooms, three planes all round, once for a search':50}{first - start:8.2f}")
    print(f"{'a candidate':50}{each:8.4f}  allowed 0.02; {min(found):.2f} to {max(found):.2f} dB")
    print(f"the last images lie {response.join_db:+.2f} dB from what the tail's formula gives for them")


if __name__ == "__main__":
    main()
