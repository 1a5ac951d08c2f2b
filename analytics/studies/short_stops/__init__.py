"""Short stops: with an alarm and without, when they come, and what preceded them."""
