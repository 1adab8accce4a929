"""Computations that rules share.  Nothing here imports a rule."""
