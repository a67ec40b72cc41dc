"""Many evenings: side by side, by unit or model, and whether the references are still true."""
