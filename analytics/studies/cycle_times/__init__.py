"""Cycle times: net times and periods, what is usual, what changed, how far from plan and takt."""
