"""Control charts and change points for plain numbers: no domain words, no frames."""
