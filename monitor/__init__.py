"""What it means and who sees it: curves, comparison, findings, screen, study, command line."""

__version__ = "0.1.0"
