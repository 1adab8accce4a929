"""Hand working of one state: the steps a person would write down, each with its own number."""
