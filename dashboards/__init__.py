"""The dashboard: pages over the logbook; no analysis in a callback."""
