"""Whose a difference is: what the independent instruments of a bench say of each other while riding."""
