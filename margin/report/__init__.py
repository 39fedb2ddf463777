"""How results are shown: one screen on the terminal, a page, figures, files. Nothing is computed here."""
