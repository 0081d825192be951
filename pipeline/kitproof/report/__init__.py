"""Reporting: saved measurements drawn as a PDF."""
