"""What keys do: acts, trainer, zeroing, the checks before a ride."""
