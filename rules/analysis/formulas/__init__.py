"""The closed forms behind the rules, in plain Python.

:mod:`bias` (a base fed from a divider), :mod:`cutoff` (a transistor that is
off), :mod:`drive` (a transistor as a switch), :mod:`latching` (two transistors
that hold each other on), :mod:`timing` (RC delays, leakage, discharge).  The tests prove each
equal to its derivation.
"""
