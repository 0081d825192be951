"""What the numbers depend on beside the recording: which program, which Python, which libraries."""

from __future__ import annotations

from importlib import metadata
from platform import python_version

from kitproof import __version__

LIBRARIES = ("numpy", "scipy", "soundfile", "pyloudnorm", "matplotlib", "reportlab")


def versions() -> dict[str, str]:
    """Versions of the program, of Python and of the libraries the numbers depend on."""
    return {"kitproof": __version__, "python": python_version(), **{name: metadata.version(name) for name in LIBRARIES}}
