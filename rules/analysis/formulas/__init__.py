"""The closed forms behind the rules, in plain Python.

:mod:`bias` (a base fed from a divider), :mod:`drive` (a transistor as a
switch), :mod:`timing` (RC delays, leakage, discharge).  The tests prove each
equal to its derivation.
"""
