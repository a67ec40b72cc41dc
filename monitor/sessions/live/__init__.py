"""A session while it is recorded, and what earlier ones say to it."""
