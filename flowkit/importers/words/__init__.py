"""The vocabulary and what a cell says."""
