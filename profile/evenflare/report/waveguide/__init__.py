"""A waveguide and its sound: pictures, rows, the page, the view in space. Imports kit and shop."""
