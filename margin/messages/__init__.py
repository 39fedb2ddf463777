"""Sentences of findings: the one place where results are put into words."""
