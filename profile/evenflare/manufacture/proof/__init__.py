"""Programs proved by cutting in software. Imports milling, part, wall and process."""
