"""Two versions of a circuit: which finding is new, which was known, which got worse, which is gone."""
