"""`python -m margin` is the command `margin`."""

from margin.cli import main

main()
