"""Filters: the equaliser of a waveguide, and the crossover that joins it to other drivers."""
