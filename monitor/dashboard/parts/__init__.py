"""The parts of the bench: where each stands, and how it is drawn. Pure."""
