"""What an instrument differs in from what it is held against: total, sides, balance, cause, steps."""
