"""A session for others: tables, packages, chosen instruments under other names."""
