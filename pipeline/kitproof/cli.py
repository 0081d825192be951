"""The command line: arguments, printing, exit codes. Nothing else in the package prints."""

from __future__ import annotations


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    raise NotImplementedError
