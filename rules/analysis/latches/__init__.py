"""Regenerative loops: which there are, where they rest, and how far each resting place is from being lost."""
