"""How torque lay in the revolution: by state and segment, by whom, and whether errors follow."""
