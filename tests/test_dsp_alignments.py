"""How boxes fall off, and the sections that make another alignment of one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from evenflare.dsp.alignments import LowAlignment, alignment, cone_share, fall_off, transform
from evenflare.dsp.biquad import response

FREQUENCY = np.geomspace(10.0, 1000.0, 81)
RATE = 96000.0
WARP = 1e-4
"""Of what a bilinear filter has at these frequencies: (pi f / rate)^2 / 3 at 1 kHz is 4e-4, at its corner none, and
far above the corner the response itself is 1."""


@pytest.mark.parametrize(("kind", "order"), [("closed", 2), ("vented", 4), ("assisted", 6)])
def test_alignments_are_maximally_flat_high_passes_of_their_order(kind, order):
    # Reference: scipy.signal.butter, analogue.
    b, a = signal.butter(order, 2.0 * np.pi * 40.0, "highpass", analog=True)
    _, expected = signal.freqs(b, a, 2.0 * np.pi * FREQUENCY)
    assert fall_off(alignment(kind, 40.0), FREQUENCY) == pytest.approx(expected, rel=1e-9)


def test_closed_box_has_its_quality_at_its_resonance():
    # Small (1972): at resonance a closed box's response is j Q of that far above.
    assert fall_off(alignment("closed", 55.0, quality=1.1), np.array([55.0]))[0] == pytest.approx(1.1j, rel=1e-12)


@pytest.mark.parametrize(
    ("own", "wanted", "count"),
    [
        (alignment("closed", 62.0, quality=0.9), alignment("closed", 40.0), 1),
        (alignment("closed", 62.0, quality=0.9), alignment("vented", 35.0), 2),
        (alignment("closed", 62.0, quality=0.9), alignment("closed", 62.0, quality=0.9), 0),
        (alignment("vented", 45.0), alignment("assisted", 38.0), 3),
        (LowAlignment(), alignment("vented", 40.0), 2),
        (LowAlignment(), LowAlignment(), 0),
    ],
)
def test_a_box_behind_its_transform_has_the_wanted_alignment(own, wanted, count):
    made = transform(own, wanted, sample_rate=RATE)
    assert len(made) == count
    heard = fall_off(own, FREQUENCY) * response(made, FREQUENCY, sample_rate=RATE)
    expected = fall_off(wanted, FREQUENCY)
    assert np.abs(heard / expected - 1.0).max() < WARP


def test_transform_raises_far_below_by_the_square_of_the_frequencies():
    # Linkwitz (1978), closed form: at 0 Hz (f0 / fp)^2, at infinity 1.
    (made,) = transform(alignment("closed", 80.0, quality=1.2), alignment("closed", 40.0), sample_rate=RATE)
    assert abs(response([made], 0.0, sample_rate=RATE)) == pytest.approx(4.0, rel=1e-4)
    assert abs(response([made], 20e3, sample_rate=RATE)) == pytest.approx(1.0, rel=1e-4)


def test_what_falls_faster_cannot_be_undone():
    with pytest.raises(ValueError, match="order 2 cannot be made of a box of order 4"):
        transform(alignment("vented", 40.0), alignment("closed", 40.0), sample_rate=RATE)


def test_cone_of_a_vented_box_moves_by_its_known_share():
    # From the box's circuit: the air in the box, its leak and the vent's mass in parallel under one pressure. The cone
    # moves the sum of the volumes that vent and leak take back, and what the pressure stores in the box.
    tuning, leak = 40.0, 7.0
    made = alignment("vented", tuning)
    w, wb = 2.0 * np.pi * FREQUENCY, 2.0 * np.pi * tuning
    compliance = 1.0
    mass, resistance = 1.0 / wb**2, leak / wb
    # Per unit of pressure in the box: the flow outward through vent and leak; the cone's is what else compresses.
    out = 1.0 / (1j * w * mass) + 1.0 / resistance
    cone = -1j * w * compliance - out
    assert cone_share(made, FREQUENCY) == pytest.approx(np.abs(cone / (cone + out)), rel=1e-9)
    assert cone_share(made, np.array([tuning]))[0] == pytest.approx(1.0 / leak)
    assert cone_share(alignment("closed", 40.0), FREQUENCY) == pytest.approx(np.ones(81))
