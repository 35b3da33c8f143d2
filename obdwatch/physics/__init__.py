"""Pure functions with units, validity, source and a worked example."""
