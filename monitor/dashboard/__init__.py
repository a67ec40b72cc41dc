"""The screen: draws frozen views four times a second and keeps nothing else."""
