"""What is known while the records come: comparison, findings, the view; a replay is the same."""
