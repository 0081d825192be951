"""Errors that kitproof raises on purpose. Only the command line turns them into text and exit codes."""


class KitproofError(Exception):
    """Root of every error raised on purpose; its text names the file, what was found, what to do."""


class TakeError(KitproofError):
    """A take folder or its take.toml cannot be used at all."""


class StemError(KitproofError):
    """One audio file cannot be used; the rest of the take goes on."""


class OutputError(KitproofError):
    """A result could not be written; nothing half-written is left."""


class StageInputError(KitproofError, ValueError):
    """A measurement was called outside its contract: a bug in the caller."""


class SavedError(KitproofError):
    """A saved result cannot be read back: missing, damaged, or of another schema version."""
