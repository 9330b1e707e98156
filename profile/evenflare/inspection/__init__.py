"""A finished part, scanned or probed, against its drawing."""

from evenflare.inspection.found import Estimate, Inspection

__all__ = ["Estimate", "Inspection"]
