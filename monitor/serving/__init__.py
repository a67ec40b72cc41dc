"""The screen in a browser: one page, one process of `plumbwatt follow` behind each that looks at it."""
