"""kitproof: tells from the stems alone whether a recorded drum take is good."""

__version__ = "0.1.0"
