"""A session for other tools: comma-separated values, ride files, a package to hand over."""
