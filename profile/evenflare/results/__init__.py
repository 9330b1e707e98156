"""Tables and files that hold the numbers of a solution. Imports the library up to search, nothing that draws."""
