"""Design files that are in order, as text."""

DRIVER = "[driver]\nexit_diameter_mm = 25.4\n"
CONE = '[waveguide]\nfamily = "conical"\ndepth_mm = 90\nwall_angle_deg = 42\n'
GOOD = CONE + DRIVER


def waveguide(keys):
    return f"[waveguide]\n{keys}\n{DRIVER}"
