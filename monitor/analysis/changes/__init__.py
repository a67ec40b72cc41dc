"""How an instrument changes against its own past: steps and ramps."""
