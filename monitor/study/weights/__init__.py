"""The static check with known masses: the only one that trusts no other meter."""
