"""What paper asks of a wall, zone by zone, and templates and places to probe that check it. Imports process, wall, part,
casting (its grades) and sheets (their drawings).
"""
