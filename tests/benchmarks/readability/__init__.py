"""How long the sentences are that a person reads: on the screen, in the report, in the terminal.

Words a sentence is what every formula of readability is made of (Flesch, J. Appl. Psychol. 32, 221,
1948). The bounds are ours: no sentence of more than thirty words, and a median of at most fourteen.
"""
