"""Where the formulas of the rules come from: derivations as data, proven with SymPy when asked."""
