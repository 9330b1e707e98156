"""The machinist's lists of points along the wall, and the folder that holds them. Imports part and wall."""
