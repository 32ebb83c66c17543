"""Owns the only compiled code: arrays in, arrays out. It knows no names, no potentials and no rules.

To measure two primitives use `pairs.closest`; to search many of them, `tree`; to place moving ones, `chain`; to bound
the gap of one pair over a box of parameters, `bounds`; of two groups of primitives, `edges`; a sum of gaps, `paths`; to
enclose the least such sum over a whole box, `sweep.least`. Scratch comes from `room`: nothing is allocated here. The
theorem that makes the bounds sound, with its error terms, stands in DEVELOPERS.md under "Why the bound holds".
"""
