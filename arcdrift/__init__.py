"""Find what drifted in a fiber crew's splicing: the arc, the air, the electrodes or the hand."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("arcdrift")
except PackageNotFoundError:  # running from a checkout that was never installed
    __version__ = "0+unknown"
