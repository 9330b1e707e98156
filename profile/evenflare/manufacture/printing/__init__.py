"""Printed prototypes: pieces that a printer's volume holds, their joints, what needs support. Imports part, process."""
