"""What is asked of a finished session beyond its segments: each module one question."""
