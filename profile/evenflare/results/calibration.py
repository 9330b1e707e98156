"""A calibration as columns: what was compared, before and after."""

from __future__ import annotations

import numpy as np

from evenflare.measurement.calibration import Calibration
from evenflare.metrics import levels_re_on_axis
from evenflare.results.formats import Columns
from evenflare.units import DEGREE


def columns(calibration: Calibration) -> Columns:
    """One row per frequency, plane and angle that was compared: levels re on axis and deviations, dB."""
    observation = calibration.measured.observation
    axes = np.meshgrid(observation.frequency, observation.plane, observation.off_axis, indexing="ij")
    mine = calibration.cells
    held = np.broadcast_to(calibration.held_out, mine.shape)
    before, after = (calibration.deviation(each) for each in (calibration.before, calibration.after))
    return {
        "frequency_hz": axes[0][mine],
        "azimuth_deg": axes[1][mine] / DEGREE,
        "off_axis_deg": axes[2][mine] / DEGREE,
        "measured_level_db": levels_re_on_axis(calibration.measured)[mine],
        "before_deviation_db": before[mine],
        "after_deviation_db": after[mine],
        "held_out": held[mine].astype(np.float64),
    }
