"""A diagnosis or a comparison in, text out: a module for each kind of text. Nothing is computed here."""
