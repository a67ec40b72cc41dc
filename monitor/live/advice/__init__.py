"""What a rider is proposed while he rides."""
