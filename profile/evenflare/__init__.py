"""Waveguides for even directivity: from a target to a searched profile, its mesh and its machining points."""

__version__ = "0.1.0"
