"""What stands before a ride: looking for instruments, bench files, the computer, loads."""
