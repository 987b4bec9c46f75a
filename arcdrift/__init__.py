"""Find what drifted in a fiber crew's splicing: the arc, the air, the electrodes or the hand."""

# written here, because looking it up among the installed packages would slow every command
__version__ = "0.1.0"
