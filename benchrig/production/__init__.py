"""The checks of the production suite: a procedure's readings, held against the profile's limits.

All generic: what is measured and how far it may be off stands in the profile. A check that this bench cannot
decide is undecided and says why; it never passes.
"""
