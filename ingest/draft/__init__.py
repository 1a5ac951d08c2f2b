"""From an unknown log to a source file: what `taktbook draft` does. draft.py has the one public function."""
