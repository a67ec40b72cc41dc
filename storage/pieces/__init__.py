"""What a journal consists of: rows in checked pieces, and how they are found in damaged files."""
