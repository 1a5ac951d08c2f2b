"""Statistics that several studies use; one topic a file, numbers in, numbers out."""
