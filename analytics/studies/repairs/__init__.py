"""Repairs: how often stations break down, how long they stay down, whether they wear out or get worse."""
