"""skyplumb: which star frames are sharp, why the others trailed, what the gear can hold."""

__version__ = "0.1.0"
