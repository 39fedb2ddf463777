"""Acceptance at the end of the line: test limit with guard band, by producer's and consumer's risk."""
