"""What is odd in a way of its own, a file each: spike, standing value, clipping, doubled side, cadence."""
