"""Measurements: charts, capability against the limits of the cell file, drifts and steps."""
