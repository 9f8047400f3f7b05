"""How the tests start Chromium."""

__all__ = ["ARGUMENTS"]

ARGUMENTS = ["--no-sandbox", "--disable-gpu"]
"""No sandbox, as the tests may run as root. No graphics processor, which else is computed: a third of all the work."""
