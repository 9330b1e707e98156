"""Patterns for casting: contraction, allowance, draft, cores. Imports part, wall and process."""
