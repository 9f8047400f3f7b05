"""vibeorder: a recording of a shake goes in, the part to put the dial indicator on comes out."""

__version__ = "0.1.0"
