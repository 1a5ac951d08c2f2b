"""Flow: who waits for whom, where the bottleneck is and moves to, what lies between the stations."""
