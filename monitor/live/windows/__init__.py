"""Windows of closed seconds: what each instrument showed in them, and by how much two differ."""
