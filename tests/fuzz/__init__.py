"""Bad documents by the thousand: mutated, cut off, and made to be slow.

``python3 .ci/dev fuzz`` runs everything and prints a table; a slice of it is
part of the test command.  All is drawn from seeds: a number names a document.
"""
