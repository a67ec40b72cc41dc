"""Ride files that become a session of their own, or join one for good."""
