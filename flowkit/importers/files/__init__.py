"""Any file to grids of cells with addresses."""
