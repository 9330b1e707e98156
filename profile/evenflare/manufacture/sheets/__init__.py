"""A part built up of sheets: layers, nesting, dowels, DXF. Imports points, part, wall and process."""
