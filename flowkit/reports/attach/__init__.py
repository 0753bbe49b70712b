"""The flow chart added to a build file that loses nothing of it."""
