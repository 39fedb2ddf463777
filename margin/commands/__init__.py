"""The commands, one module each. Nothing heavy is imported before a command runs."""
