"""Find what drifted in a fiber crew's splicing: the arc, the air, the electrodes or the hand."""

__version__ = (
    "0.1.0"  # written here: looking it up among the installed packages slows every command
)
