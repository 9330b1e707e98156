"""A finished part, scanned or probed, against its drawing: read, registered, mapped, its kinds of error told apart.

Imports up to design; never radiation, manufacture or measurement.
"""

from evenflare.inspection.found import Estimate, Inspection
from evenflare.inspection.inspecting import inspected
from evenflare.inspection.scan import Scan, check_unit, read_scan

__all__ = ["Estimate", "Inspection", "Scan", "check_unit", "inspected", "read_scan"]
