"""Programs for router and lathe, written and read. Imports part, wall and process."""
