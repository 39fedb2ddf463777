"""Validation of the program on the user's own machine: exact values, cases that have them, and their comparison."""
