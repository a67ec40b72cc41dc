"""From readings to work and turns over one time: what each kind of packet tells, and when it happened."""
