"""Target files that are in order, as text."""

GOOD = """name = "even"
[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [1000, 4000, 16000]
index_db = [6, 9, 10]
tolerance_db = [1.0, 0.5, 1.5]
beamwidth_deg = [180, 100, 90]
weight = [1, 2, 0]
[limits]
depth_mm = [60, 110]
mouth_diameter_mm = [180, 260]
smallest_concave_radius_mm = 3.2
throat_angle_deg = [2, 20]
greatest_wall_angle_deg = 88
throat_angle_mismatch_deg = 25
[search]
families = ["tractrix", "free"]
candidates = 500
seed = 7
"""
OBLONG = """name = "wide"
[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [1000, 4000, 16000]
index_db = [5, 9, 10]
tolerance_db = [1.0, 0.5, 1.5]
beamwidth_horizontal_deg = [180, 110, 100]
beamwidth_vertical_deg = [180, 80, 60]
constancy_weight = 0.5
[limits]
depth_mm = [60, 110]
mouth_width_mm = [180, 220]
mouth_height_mm = [100, 140]
section_exponent = [2, 3.5]
smallest_draft_deg = 3
smallest_concave_radius_mm = 3.2
[search]
families = ["conical", "free"]
candidates = 500
seed = 7
"""
CROSSOVER = "[wanted.crossover]\npiston_radius_mm = 100\nfrequency_hz = 2000\n"
