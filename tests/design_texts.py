"""Design files that are in order, as text."""

DRIVER = "[driver]\nexit_diameter_mm = 25.4\n"
CONE = '[waveguide]\nfamily = "conical"\ndepth_mm = 90\nwall_angle_deg = 42\n'
GOOD = CONE + DRIVER
HORIZONTAL = '[waveguide.horizontal]\nfamily = "conical"\ndepth_mm = 90\nwall_angle_deg = 42\n'
VERTICAL = '[waveguide.vertical]\nfamily = "oblate_spheroidal"\ndepth_mm = 90\nwall_angle_deg = 25\n'
OBLONG = HORIZONTAL + VERTICAL + DRIVER


def waveguide(keys):
    return f"[waveguide]\n{keys}\n{DRIVER}"


def oblong(keys):
    """An oblong waveguide with keys of its own beside its planes."""
    return f"[waveguide]\n{keys}\n{OBLONG}"


def planes(horizontal, vertical):
    """An oblong waveguide of the two tables."""
    return f"[waveguide.horizontal]\n{horizontal}\n[waveguide.vertical]\n{vertical}\n{DRIVER}"
