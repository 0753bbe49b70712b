"""A grid -> its tests: tables found by evidence, columns named together, lines around them."""
