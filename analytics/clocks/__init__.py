"""Clocks of the sources, aligned from hand-overs: pairs -> fit -> graph -> pieces of time that are taken off.

`ts_source` never changes; what is told here is applied when facts are derived.
"""
