"""Bytes to readings and back, one file per published profile; pure."""
