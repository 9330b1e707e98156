"""Target files: what is wanted, within which limits, whether it can be reached. Imports design, metrics, room."""
