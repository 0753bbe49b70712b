"""Sheets flowkit writes: blanks to fill in, and the job file to start from."""
