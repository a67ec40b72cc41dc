"""One session from its folder: live, replayed, put right, derived, exported, archived."""
