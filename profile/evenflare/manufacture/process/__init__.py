"""Machine, tools, stock, tolerance and alloy as data in files. Imports no other room of manufacture."""
