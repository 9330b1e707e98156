"""The wall as a surface to be made: points on it, offsets, nearest places, scallops. Imports process only."""
