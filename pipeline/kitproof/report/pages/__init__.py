"""The sections of the report, one module each; document.py lists them in order."""
