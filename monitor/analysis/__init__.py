"""Pure numbers: clocks, work curves, lags, blocks, statistics, expectations, causes, changes."""
