"""The command: each verb a few lines over the library."""
