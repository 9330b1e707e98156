"""Equaliser and crossover: tables, pictures, pages. Imports kit and waveguide."""
