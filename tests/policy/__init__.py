"""The decision core: debounce against an oracle, monitors, sequences, cost, sameness."""
