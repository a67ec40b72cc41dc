"""Many evenings drawn: as tables in a terminal, and as one page."""
