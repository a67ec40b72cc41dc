"""What comes over the air, as values: records, profiles and the sources that hear them."""
