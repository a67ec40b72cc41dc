"""What the tester writes: bench and protocol, read and checked."""
