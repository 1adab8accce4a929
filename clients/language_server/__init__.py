"""The language server: what an editor shows of a circuit while it is typed."""
