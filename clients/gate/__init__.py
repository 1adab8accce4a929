"""The merge gate: circuits of a change judged against what they were before it.

``git`` reads revisions, ``trees`` and ``changes`` say what differs, ``circuits`` picks the circuit
documents, ``policy_at`` reads the policy of a revision, ``baseline`` the file of known findings, ``scope``
puts these together, ``run`` asks for the comparisons, and ``verdict`` counts.
"""
