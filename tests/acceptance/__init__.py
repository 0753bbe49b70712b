"""The command and the library as a stranger meets them: sheets and job files in, documents out."""
