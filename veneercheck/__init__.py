"""veneercheck: is there room for the veneer between a cut-back framework and its wax-up?"""

__version__ = "0.1.0"
