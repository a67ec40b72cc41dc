"""What the commands do, a module per group; `monitor.cli` loads each when it is called."""
