"""The analyses of a cell, one file (or folder) each with one public function that returns a Study."""
