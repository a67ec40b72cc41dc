"""Lines for a terminal: tables that fit its width, the short summary, the verdict at the end of a ride."""
