"""Corrected tests to numbers: curves, gains, areas, uncertainty, findings and words."""
