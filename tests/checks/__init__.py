"""How each quantity of a table of check values maps to wxfly: one module for each subject, each with a `CHECKS`.

To add a quantity, write a function that takes a `reading.Row` and returns what wxfly gives for it, in the
units of the row, and decorate it with `reading.check`; a new module in this folder is found by itself.
"""
