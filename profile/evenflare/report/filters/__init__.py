"""Equaliser and crossover: words, pictures, pages. Imports kit and waveguide."""
