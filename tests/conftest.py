"""What holds for all tests: an example may take as long as it takes; speed is shown by benchmarks, never asserted."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")
