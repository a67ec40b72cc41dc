"""What a finished session says: segments, grid, results, verdict, other sessions and ride files."""
