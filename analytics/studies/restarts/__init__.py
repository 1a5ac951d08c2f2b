"""After a restart: what the first minutes cost, by kind of restart; and unmanned against hand-fed running."""
