"""The part as a solid: outline, features, booleans, soundness, slices, STL, 3MF, STEP. Imports wall and process."""
