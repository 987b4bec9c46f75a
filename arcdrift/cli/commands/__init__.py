"""One module per command of the program."""
