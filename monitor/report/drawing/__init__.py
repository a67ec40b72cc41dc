"""Charts of the page as SVG text."""
