"""Pages that are opened with a key of their own."""
