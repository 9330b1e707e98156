"""The sound around rigid bodies of any shape: boundary elements in space, and what a cabinet makes of a mouth's waves.

Imports what stands below it: waveguide, air, compiled, units.
"""
