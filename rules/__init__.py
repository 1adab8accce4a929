"""What is known: the rule contract, one file per rule, and the shared analyses."""
