"""What tests share: packets, rides, sessions, vectors, a browser, a Bluetooth stack that is none."""
