"""Image sources: where they are, what they lose, and in which direction the source must send for each."""

from __future__ import annotations

import numpy as np
import pyroomacoustics
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evenflare.room.images import images
from evenflare.room.paths import gains, heard, paths
from evenflare.room.room import SURFACES, SourcePose, Weather, air_attenuation
from evenflare.units import DEGREE
from room_shared import AT, SEAT, SIZE, forward, pattern, room_of

BANDS = np.array([1000.0])


def test_air_of_a_room_takes_what_the_standard_says():
    weather = Weather(temperature=293.15, humidity=0.7, pressure=101325.0)
    attenuation = air_attenuation(room_of(0.0, weather=weather), np.array([1000.0]))
    # ISO 9613-1:1993, table 1 as transcribed by others, 20 degrees and 70 per cent: 4.98 dB per km, to three digits.
    assert 1000.0 * 10.0 * np.log10(np.exp(attenuation)) == pytest.approx([4.98], abs=0.005)


def test_a_source_that_states_no_turn_looks_along_the_room():
    assert SourcePose(AT).axes[2] == pytest.approx([1.0, 0.0, 0.0], abs=1e-15)


def test_arrival_times_and_levels_of_a_rigid_room_in_closed_form():
    found = images(room_of(0.0), SEAT, order=1)
    (x, y, z), (a, b, c) = np.subtract(SEAT, AT), AT
    far = [(SEAT[0] + a, y, z), (2 * SIZE[0] - SEAT[0] - a, y, z), (x, SEAT[1] + b, z)]
    far += [(x, 2 * SIZE[1] - SEAT[1] - b, z), (x, y, SEAT[2] + c), (x, y, 2 * SIZE[2] - SEAT[2] - c)]
    wanted = dict(zip(SURFACES, np.linalg.norm(far, axis=1), strict=True))
    assert found.distance[0] == pytest.approx(np.linalg.norm([x, y, z]), rel=1e-12)
    got = {SURFACES[int(hits.argmax())]: r for hits, r in zip(found.hits[1:], found.distance[1:], strict=True)}
    assert got == pytest.approx(wanted, rel=1e-12)
    room = room_of(0.0)
    loss = np.exp(-air_attenuation(room, BANDS) * found.distance)
    # A rigid wall takes nothing: 1 / r^2, less what the air takes.
    assert gains(room, found, BANDS)[:, 0] == pytest.approx(loss / found.distance**2, rel=1e-9)


@pytest.mark.parametrize("order", [0, 1, 5, 12])
def test_there_are_as_many_images_as_points_in_an_octahedron(order):
    # Centred octahedral numbers: https://oeis.org/A001845.
    count = (2 * order + 1) * (2 * order**2 + 2 * order + 3) // 3
    assert images(room_of(), SEAT, order=order).distance.size == count


@given(
    at=st.tuples(*(st.floats(0.1, side - 0.1) for side in SIZE)),
    seat=st.tuples(*(st.floats(0.1, side - 0.1) for side in SIZE)),
)
@settings(deadline=None, max_examples=30)
def test_a_ray_sent_in_the_direction_of_an_image_meets_its_walls_and_ends_at_the_seat(at, seat):
    assume(np.linalg.norm(np.subtract(at, seat)) > 1e-3)
    found = images(room_of(at=at), seat, order=4)
    end = np.array(at) + found.direction * found.distance[:, None]
    # Folded at every wall that it crosses, as a mirror does.
    cell = np.floor(end / SIZE)
    folded = np.where(cell % 2 == 0, end - cell * SIZE, (cell + 1) * SIZE - end)
    # Rounding of some 20 m only.
    assert folded == pytest.approx(np.broadcast_to(seat, folded.shape), abs=1e-9)
    low, high = found.hits[:, 0::2], found.hits[:, 1::2]
    crossed = np.abs(cell)
    assert np.array_equal(low + high, crossed)
    assert np.array_equal(high, np.where(cell > 0, (crossed + 1) // 2, crossed // 2))


def test_images_and_losses_of_an_omnidirectional_source_are_those_of_a_room_acoustics_library():
    absorption = (0.2, 0.1, 0.4, 0.3, 0.6, 0.5)
    names = ("west", "east", "south", "north", "floor", "ceiling")
    # The names by the library's documentation: west and east at the ends of x, south and north at those of y.
    materials = pyroomacoustics.make_materials(**dict(zip(names, absorption, strict=True)))
    other = pyroomacoustics.ShoeBox(list(SIZE), fs=16000, materials=materials, max_order=6, air_absorption=False)
    other.add_source(list(AT))
    other.add_microphone(list(SEAT))
    other.image_source_model()
    place, left = other.sources[0].images.T, other.sources[0].damping[0]
    distance = np.linalg.norm(place - SEAT, axis=1)
    room = room_of(absorption)
    found = images(room, SEAT, order=6)
    air = np.exp(air_attenuation(room, BANDS) * found.distance)
    ours = np.stack([found.distance, gains(room, found, BANDS)[:, 0] * air * found.distance**2])
    theirs = np.stack([distance, left**2])
    # The library keeps single precision.
    assert ours[:, np.lexsort(ours.round(4))] == pytest.approx(theirs[:, np.lexsort(theirs.round(4))], rel=2e-6)


def test_source_aimed_at_a_wall_reaches_the_seat_behind_it_by_that_wall_only():
    lossy = [1.0] * 6
    lossy[1] = 0.36
    seat = (1.0, 2.0, 1.2)
    room = room_of(lossy, at=(3.0, 2.0, 1.2), seats=(seat,), order=3, weather=Weather(humidity=0.5))
    found = heard(paths(room, pattern(forward).observation, BANDS), pattern(forward))
    way = (SIZE[0] - 3.0) + (SIZE[0] - 1.0)
    loss = np.exp(-air_attenuation(room, paths(room, pattern().observation, BANDS).frequency) * way)
    # The seat is straight behind: nothing direct. The wall sends back (1 - 0.36) of what the axis sends.
    assert np.all(found.direct < 1e-30)
    assert found.early[0] == pytest.approx(0.64 * loss / way**2, rel=1e-9)


def test_pattern_is_mirrored_at_each_wall():
    room = room_of(
        [1.0, 1.0, 0.0, 1.0, 1.0, 1.0], at=(2.0, 2.0, 1.2), seats=((4.0, 2.0, 1.2),), order=1, yaw=45 * DEGREE
    )
    # By the wall at y = 0, 45 degrees to the right of the line to the seat and 90 degrees from the axis: from the
    # axis, which points 45 degrees to the left of that line, by an angle that mirrors at the wall.
    drop = np.arctan2(2 * 2.0, 2.0)
    expected = forward(drop + 45 * DEGREE, 0.0) ** 2 / (2.0**2 + 4.0**2)
    fine = pattern(forward, off_axis=np.linspace(0, np.pi, 721))
    found = heard(paths(room, fine.observation, BANDS), fine)
    loss = np.exp(-air_attenuation(room, paths(room, fine.observation, BANDS).frequency) * np.hypot(2, 4))
    # Straight between angles 0.25 degrees apart.
    assert found.early[0] == pytest.approx(expected * loss, rel=1e-4)
    assert found.direct[0] == pytest.approx(forward(45 * DEGREE, 0.0) ** 2 / 4, rel=3e-3)  # 2 m of air besides


@pytest.mark.parametrize(
    ("surface", "strong"), [("floor", False), ("ceiling", False), ("wall_y_0", True), ("wall_y_width", True)]
)
def test_each_plane_of_a_pattern_counts_in_its_own_direction(surface, strong):
    def wide(angle, azimuth):
        return np.where(np.abs(np.sin(azimuth)) > 0.5, np.cos(0.5 * angle) ** 40, 1.0)

    lossy = np.where(np.array(SURFACES) == surface, 0.0, 1.0)
    middle = (1.0, SIZE[1] / 2, SIZE[2] / 2)
    room = room_of(lossy, at=middle, seats=((2.0, SIZE[1] / 2, SIZE[2] / 2),), order=1)
    source = pattern(wide, planes=(0.0, 0.5 * np.pi), symmetry="two_planes")
    found = heard(paths(room, source.observation, BANDS), source)
    alike = heard(paths(room, source.observation, BANDS), pattern(planes=(0.0, 0.5 * np.pi), symmetry="two_planes"))
    share = found.early / alike.early
    assert np.all(share > 0.999) if strong else np.all(share < 0.01)


def test_both_sides_of_a_pattern_count_on_their_own_side():
    """Positive angles are to the right as seen by a listener who faces the source."""
    both = np.arange(-180, 181, 5) * DEGREE

    def rightward(angle, azimuth):
        return np.where(angle >= 0.0, 1.0, 0.1) + 0.0 * azimuth

    source = pattern(rightward, planes=(0.0, 0.5 * np.pi), symmetry="none", off_axis=both)
    # The axis runs along x; a listener who looks back at the source has y to the right.
    seats = ((2.0, 1.1, 1.0), (2.0, 3.0, 1.0))
    room = room_of(1.0, at=(1.0, 2.05, 1.0), seats=seats, order=0)
    left, right = heard(paths(room, source.observation, BANDS), source).direct[:, 0]
    assert right / left == pytest.approx(100.0, rel=1e-6)
