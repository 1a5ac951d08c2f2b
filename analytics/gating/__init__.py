"""The gating chain: whom the cell waited for, and its account.

    events ─► moments ─► candidates ─► lags ─► binding ─► one walk back ─► pieces, booked to station, line, cause

`moments` and `candidates` are the task graph; nothing in them knows of lines or accounts, so that a replay can stand
on them.
"""
