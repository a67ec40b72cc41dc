"""Acts of the tester afterwards: when they were done, and what each changed."""
