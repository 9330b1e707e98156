"""Pages of inspected parts; imports the kit and what draws waveguides."""
