"""For whoever measures: comparison, spread, calibration, prototypes, checklist. Imports kit."""
