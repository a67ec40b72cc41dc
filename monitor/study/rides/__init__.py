"""Ride files of head units: read as what they are, and laid beside each other on one clock."""
