"""The parts of a study: each module one question to a finished session."""
