"""A page to design on, served to browsers of this machine alone; imports all but the command line."""
