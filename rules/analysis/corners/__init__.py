"""The worst case: every toleranced quantity as an interval, and what a circuit can do within them."""
