"""What to do next about a design that does not conform: actions that exist, each tried by the engine."""
