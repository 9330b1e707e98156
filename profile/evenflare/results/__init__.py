"""Tables and files that hold the numbers of what was found (CSV, JSON), and the words that stand in them. Imports the
library up to search, measurement, dsp and studies; nothing that draws.
"""
