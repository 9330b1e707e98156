"""Texts of invented files that are in order, for every format that the product reads."""

from __future__ import annotations

POINTS = "# invented\nz_mm,r_mm,index\n" + "".join(
    f"{z},{12.7 + 0.01 * z**2:.4f},{z // 10}\n" for z in range(0, 81, 10)
)
NARROW = "z_mm,r_mm\n" + "".join(f"{z},{12.7 + 0.004 * z**2:.4f}\n" for z in range(0, 81, 10))
BODY = "z_mm,r_mm\n80,76.7\n70,110\n20,130\n-60,100\n-80,40\n-80,0\n"
SOURCE = "frequency_hz,resistance,reactance,pressure_pa\n" + "".join(
    f"{f},1.2,{f / 1e4},2.5\n" for f in (100, 1e3, 3e4)
)
CALIBRATED = (
    'name = "taught"\n[driver]\nexit_diameter_mm = 25.4\nexit_half_angle_deg = 4.2\n'
    "velocity_profile = [[0, 1], [0.5, 0.97], [1, 0.8]]\n[fitted.exit_half_angle_deg]\nvalue = 4.2\n"
    "standard_error = 0.1\n[deviation.held_out_after]\nrms_db = 0.5\n[deviation.held_out_before]\nrms_db = 0.9\n"
)
SPEAKER = """name = "two ways"
[waveguide]
directivity = "solved"
equalised_to = "nothing"
equaliser = "filters.json"
level_limit_db = 110
[woofer]
piston_radius_mm = 80
below_mm = 220
sensitivity_db = 88
impedance_ohm = 8
power_w = 60
excursion_mm = 5
[woofer.box]
alignment = "closed"
frequency_hz = 60
quality = 0.8
[woofer.crossover]
kind = "linkwitz_riley"
order = [4, 8]
frequency_hz = [1000, 2000]
[analysis]
per_octave = 6
[whole_range]
alignment = "vented"
frequency_hz = 40
tilt_db_per_octave = -0.5
from_hz = 100
[filters]
sample_rates_hz = [48000, 96000]
"""
SOLID = "[woofer]\npiston_radius_mm = 60\nat_mm = [[127.5, -80, -90], [127.5, 60, -90]]\nface = [0.9, 0, -0.1]\n"
