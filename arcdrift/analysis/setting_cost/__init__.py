"""Cost, in splice loss, of a wrong arc setting."""
