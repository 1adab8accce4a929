"""From a circuit to the bench: what to buy, what to measure, and in which order."""
