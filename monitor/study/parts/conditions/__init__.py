"""Conditions of riding, which come and go: they are no states of an instrument."""
