"""Design files: tables of TOML, what they stand for, and back. Imports waveguide, directivity and what reads."""
