"""Between the recorder and those who watch: jobs, messages, feeds, last wills."""
