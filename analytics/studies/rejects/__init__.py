"""Rejects: where, why, how many, what they cost, when they come in bursts, and what raises their rate."""
