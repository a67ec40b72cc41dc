"""How what a study states is estimated: delays, windows and their edges, intervals by named parts."""
