"""What is concluded of an instrument, and in which words."""
