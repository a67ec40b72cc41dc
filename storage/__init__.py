"""What is kept: the journal, its rescue, the session folder and the recorder that fills it."""
