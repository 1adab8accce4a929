"""Measurements, printed as tables; run `python3 .ci/dev measure`.  Nothing here asserts a time."""
