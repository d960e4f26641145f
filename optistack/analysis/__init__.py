"""Analyses of exposures: siblings that take each other's results as arguments, never as imports."""
