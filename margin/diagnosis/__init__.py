"""Why a prototype differs from its bench baseline: observations, causes, and the next test."""
