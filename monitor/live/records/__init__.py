"""What each kind of record does to the bench: packets, links, acts of the operator."""
