"""What is asked of a recorded session: options, the judging behind them, the tester's words."""
